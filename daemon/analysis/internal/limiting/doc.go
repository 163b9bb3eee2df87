// Package limiting reads the power of a load for what held it back: an early step, dips,
// the program's own rhythm, thermal cycling, a flat top, a loss without a shown cause,
// a change of cooling. It is pure and sees one load with its hottest probe; when the
// load ran, and what follows for a verdict, is told elsewhere.
package limiting
