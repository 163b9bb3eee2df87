// Package scpi reads bench instruments (power analysers, multimeters) that answer SCPI
// queries over TCP or a serial line. Which query, which item of its answer, in which
// unit and range: all of it is configuration, since every maker words it differently.
//
// Inputs with the same query share one answer. The instrument is only asked: nothing
// that sets, resets or switches can be configured.
package scpi
