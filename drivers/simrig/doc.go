// Package simrig is a whole simulated rig at the bus: emulated converter chips
// answer real frames behind periph's spi.Port and i2c.Bus, an emulated wall-power
// meter answers Modbus TCP frames on a loopback socket, and one thermal model
// feeds them all. A Rig is a bus.Ports, so soakd runs the same driver code on it
// as on hardware.
//
// It is a test position, not a test: it holds no scenario. What is mounted, when
// it is loaded and what breaks when come from Opts, Mount, SetLoad and the
// schedules in them. It is no model of any real product either: the figures are
// plausible round numbers.
//
// # Time
//
// Rig time is what the caller's now function returns: the time since the rig's
// start. It may run faster than real time or stand still. Nothing here reads
// another clock, sleeps (except Wait, see SetWait) or runs in the background
// (except the meter's listener, which computes nothing by itself): whoever looks
// at the rig brings it up to date first. The model advances in fixed steps of Step, so everything follows
// from Opts.Seed, rig time and the calls made, not from how often it is read.
//
// # The model
//
// Heat flows from each stage place to the heatsink, from heatsink and processor
// to the air in the enclosure, and from there to the room: a network of thermal
// resistances and heat capacities, integrated by the midpoint rule, so that heat
// in equals heat stored plus heat out to rounding. The stages' loss follows the
// processor's power and rises with their temperature; the limiter, the boost, the
// load's pattern and a crash act on the processor's power; the supply's losses
// make wall power of it. A probe's bead follows its place with a lag.
//
// # What is not simulated
//
// Serial lines, GPIO edges, electrical loading between probes, more than one unit
// at a time.
package simrig
