package journal

import "time"

// State is what the journal can say about itself without touching the disk.
type State struct {
	ID             string
	Oldest         uint64 // first number that may be read; 0: the journal is empty
	Head           uint64 // last number given; 0: none
	DurableThrough uint64 // everything up to here that exists has been synced
	Durable        bool   // the last commit succeeded
	Final          bool   // nothing becomes durable before a restart
	Text           string // why not durable, and what to do; empty when durable

	RingFirst uint64 // first number in memory; 0: none
	RingBytes int

	Bytes      int64 // of sample files and run records, at the last look (every 10 s)
	Files      int   // sample files
	PinBytes   int64 // bytes of files that pins hold
	PinLimit   int64
	FreeBytes  int64 // room on the file system
	TotalBytes int64
	RefuseRuns bool // the disk is nearly full: no run should be started

	Flushes   uint64        // commits, each one flush
	Failures  uint64        // failed commits
	CommitP50 time.Duration // over the last 512 commits; zero: none yet
	CommitP99 time.Duration
	Gaps      uint64 // ranges of numbers that hold nothing
	Unknown   uint64 // entries read of a type that this build does not know
	Reserved  uint64 // last number that may be given before the disk must promise more
}

// State gives the journal's state. It never waits for the disk.
func (j *Journal) State() State {
	p50, p99, flushes := j.commits.snapshot()
	j.mu.Lock()
	defer j.mu.Unlock()
	s := State{
		ID: j.id, Oldest: j.oldest, Head: j.head, DurableThrough: j.durable.Load(),
		Durable: j.state.ok, Final: j.state.final, Text: j.state.text,
		RingFirst: j.ring.first(), RingBytes: j.ring.bytes,
		Bytes: j.count.bytes, Files: j.count.files, PinBytes: j.count.pinned, PinLimit: j.pinCap(j.count),
		FreeBytes: j.count.disk.free, TotalBytes: j.count.disk.total,
		RefuseRuns: j.count.disk.total > 0 && j.count.disk.below(fullShare, fullBytes),
		Flushes:    flushes, Failures: j.state.errors, CommitP50: p50, CommitP99: p99,
		Gaps: uint64(len(j.lost)), Unknown: j.unknown.Load(), Reserved: j.reserved,
	}
	if s.Oldest == 0 {
		s.Oldest = j.ring.first()
	}
	return s
}
