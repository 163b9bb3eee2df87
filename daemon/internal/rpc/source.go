package rpc

import (
	"context"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// Journal is what the server reads; FromJournal makes one of a *journal.Journal.
type Journal interface {
	// ID is the identity of the journal; cursors hold within it.
	ID() string
	State() journal.State
	// Head is the newest sequence, durableThrough the newest that is on disk.
	Head() (head, durableThrough uint64)
	// NewReader reads from the sequence on; zero: from the oldest.
	NewReader(from uint64) Reader
}

// Reader follows the journal. It serves one goroutine.
type Reader interface {
	// Next waits for the next entry, which is valid until the next call. A
	// *journal.GapError stands for entries that can't be had; reading goes on behind it.
	Next(ctx context.Context) (record.Entry, error)
	// Buffered: Next would not wait.
	Buffered() bool
	// Seq is the sequence that Next gives next.
	Seq() uint64
	Close()
}

// FromJournal serves an open journal.
func FromJournal(j *journal.Journal) Journal { return fileJournal{j} }

type fileJournal struct{ *journal.Journal }

// NewReader implements Journal: the journal's own gives a concrete type.
func (j fileJournal) NewReader(from uint64) Reader { return j.Journal.NewReader(from) }

// Names of the journal's types for whoever wires the two together.
type (
	JournalState = journal.State
	GapError     = journal.GapError
	RunRow       = journal.RunRow
)
