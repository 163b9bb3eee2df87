package rpc

import (
	"context"

	"soakrig/daemon/record"
)

// Journal is what the server reads. *journal.Journal serves it through a small
// adapter of the wiring's, since its readers have a concrete type.
type Journal interface {
	// ID is the identity of the journal; cursors hold within it.
	ID() string
	State() JournalState
	// Head is the newest sequence, DurableThrough the newest that is on disk.
	Head() (head, durableThrough uint64)
	// NewReader reads from the sequence on; zero: from the oldest.
	NewReader(from uint64) Reader
}

// Reader follows the journal. It serves one goroutine.
type Reader interface {
	// Next waits for the next entry, which is valid until the next call. A *GapError
	// stands for entries that can't be had; reading goes on behind it.
	Next(ctx context.Context) (record.Entry, error)
	// Buffered: Next would not wait.
	Buffered() bool
	// Seq is the sequence that Next gives next.
	Seq() uint64
	Close()
}
