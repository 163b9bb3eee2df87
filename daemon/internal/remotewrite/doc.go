// Package remotewrite sends every good reading of the journal, with its own time, to
// a receiver of the Prometheus remote-write protocol. The journal is the only
// buffer: a receiver that is away costs no memory, and what it missed is sent when
// it is back, behind the newest readings. What was acknowledged is kept on disk.
// What is given up is counted by reason, never silent. It scrapes nothing and
// computes nothing but the conversion that every reader of the journal does.
package remotewrite
