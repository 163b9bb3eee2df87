// Package record holds what soakrig stores: samples as raw codes, the layout that
// says what the codes mean, marks, gaps, clock steps, run events and results, each
// with a type number that is never used again for something else. It knows nothing
// of files, wires or drivers and computes nothing.
//
// The structs with json tags are also what leaves the daemon: the wire messages of
// proto/soakrig/v1 have the same field names. Units are in the names: _c degrees
// Celsius, _k kelvin, _w watts, _j joules, _s seconds, _ns nanoseconds. A pointer
// that is nil and an empty list mean that there is no value; zero is a value.
package record
