// Package cli is what people type: soak's commands, one file for each. It parses
// arguments, asks rigs, archives and recordings, and prints; it judges nothing and
// draws nothing, which analysis and report do.
package cli
