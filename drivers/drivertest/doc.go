// Package drivertest is what drivers are tested with: fake ports that record mode,
// clock, word length and chip select and can fail the n-th transfer, repeat bytes,
// float high or low, or hang; strict options from YAML text; and Conformance, the
// run that every driver passes before its author writes a test of his own.
//
// Drivers are tested through a real bus.Host over these ports. The package knows
// no chip: the chips a driver needs are small fakes beside its tests, recorded
// transfers, or the emulated chips of a simulated rig.
package drivertest
