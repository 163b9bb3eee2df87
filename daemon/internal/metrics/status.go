package metrics

import (
	"context"
	"time"

	"soakrig/daemon/record"
)

// pollEvery is how often the rest of the daemon is asked for its state. A scrape
// asks nobody: what is asked may wait for a disk.
const pollEvery = 500 * time.Millisecond

// status is what the rest of the daemon said of itself when it was last asked.
type status struct {
	at time.Time // zero: never

	journal        journalStatus
	sources        []SourceHealth
	open           bool // a run is open
	live           record.Live
	hasLive        bool // somebody tells about runs
	subscribers    []Subscriber
	hasSubscribers bool
	reloadOK       bool
	reloadAt       time.Time
	hasReload      bool
	serving        bool
	hasServing     bool
}

// journalStatus is the part of the journal's state that the page shows.
type journalStatus struct {
	id                    string
	oldest, head, through uint64
	durable               bool
	text                  string
	bytes, free, total    int64
	flushes, failures     uint64
	gaps                  uint64
	refuses               bool // no run should be started
	p50, p99              time.Duration
	unread                uint64 // entries that the page has not taken in
}

// poll asks the rest of the daemon, and keeps the answers.
func (m *Metrics) poll() {
	s := status{}
	if m.o.Sources != nil {
		s.sources = m.o.Sources()
	}
	if m.o.Live != nil {
		s.hasLive = true
		s.live, s.open = m.o.Live()
	}
	if m.o.Subscribers != nil {
		s.hasSubscribers = true
		s.subscribers = m.o.Subscribers()
	}
	if m.o.Reload != nil {
		s.hasReload = true
		s.reloadOK, s.reloadAt = m.o.Reload()
	}
	if m.o.Serving != nil {
		s.hasServing = true
		s.serving = m.o.Serving()
	}
	s.journal = m.journalStatus()
	var limits []record.Limit
	var band *record.Band
	if m.o.Limits != nil {
		limits, band = m.o.Limits()
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	s.at = time.Now()
	if s.journal.head > m.taken {
		s.journal.unread = s.journal.head - m.taken
	}
	m.status = s
	m.state.setLimits(limits, band)
}

// keepPolling polls until ctx ends.
func (m *Metrics) keepPolling(ctx context.Context) {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		m.poll()
		m.process.refresh()
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// journalPoints adds the state of the journal.
func (s *status) journalPoints(out *scrape, f *families) {
	j := &s.journal
	out.add(f.journalDurable, truth(j.durable))
	out.add(f.journalHead, float64(j.head))
	out.add(f.journalDurableSeq, float64(j.through))
	out.add(f.journalOldest, float64(j.oldest))
	out.add(f.journalBytes, float64(j.bytes))
	if j.total > 0 { // zero: nobody has looked yet
		out.add(f.journalFree, float64(j.free))
		out.add(f.journalTotal, float64(j.total))
	}
	out.add(f.journalFlushes, float64(j.flushes))
	out.add(f.journalFailures, float64(j.failures))
	out.add(f.journalGaps, float64(j.gaps))
	out.add(f.journalRefuses, truth(j.refuses))
	out.add(f.journalUnread, float64(j.unread))
	if j.flushes > 0 {
		out.add(f.journalP50, j.p50.Seconds())
		out.add(f.journalP99, j.p99.Seconds())
	}
}

func (m *Metrics) journalStatus() journalStatus {
	s := m.o.Journal.State()
	return journalStatus{
		id: s.ID, oldest: s.Oldest, head: s.Head, through: s.DurableThrough, durable: s.Durable, text: s.Text,
		bytes: s.Bytes, free: s.FreeBytes, total: s.TotalBytes, flushes: s.Flushes, failures: s.Failures, gaps: s.Gaps, refuses: s.RefuseRuns, p50: s.CommitP50, p99: s.CommitP99,
	}
}
