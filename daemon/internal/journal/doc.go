// Package journal keeps everything that happened on a rig in the order in which it
// happened: it numbers entries, shows them to readers at once, commits them to disk
// in groups, packs them, rotates and retires files, and says at every moment how
// far the disk has got. It also keeps run records, calibrations and pins.
//
// It knows nothing of chips, wires or verdicts, has no clock of its own beyond the
// timer between commits, and never changes an entry once it has a number.
//
// The promises: a number is never used twice, also not after a power cut; what
// State.DurableThrough names has been synced; a reader gets every number, or a
// GapError that names the missing ones, or another error; a damaged byte gives an
// error or a gap, never a wrong value; memory is bounded by Options.RingBytes
// however slow the disk or a reader is.
//
// FORMAT.md beside this file describes the files, and daemon/record/FORMAT.md the
// bytes in them.
package journal
