// Package drivers is the contract between soakd and the code that reads one
// kind of device: a thermocouple converter, a temperature sensor, a wall-power
// meter, a channel fed by a script. It is all that the author of a driver must
// read; opening ports is in package bus, reference functions are in its90.
//
// A driver reports what the device said, never what it means: the integer code
// of each conversion, what one code is worth (Converter), the cold-junction
// code, and the faults. It never returns a finished temperature: soakd turns
// codes into values in one place, live, on replay and offline.
//
// A driver never logs, never retries without saying so, never starts a
// goroutine and never repeats an old value. It exports one value called Driver;
// a generated list in drivers/all names it. It imports only this package,
// drivers/bus and drivers/its90.
package drivers
