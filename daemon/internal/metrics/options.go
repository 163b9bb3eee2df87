package metrics

import (
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

// Options are what the page is made from. Rig, Journal, Clock and Layout are
// required; a func that is nil leaves its metrics out. The funcs are called from
// one goroutine, twice a second, never by a scrape: one that blocks makes its
// metrics old, not the page slow.
type Options struct {
	Rig       string
	Version   string // of the build
	Simulated bool   // the rig is a simulated one: said on every page
	Journal   *journal.Journal
	Clock     rigtime.Clock

	Layout      func() *record.Layout                 // in force
	Sources     func() []SourceHealth                 // in the order of the configuration
	Live        func() (record.Live, bool)            // state of the open run; false: none
	Subscribers func() []Subscriber                   // open streams
	Reload      func() (ok bool, at time.Time)        // outcome of the newest reload
	Limits      func() ([]record.Limit, *record.Band) // what runs are judged by unless they bring their own, and the ambient band
	Serving     func() bool                           // every source has been read once

	// Collectors are put on the page beside our own metrics: those of the gRPC server,
	// of remote write. They must not touch a bus or a disk either.
	Collectors []prometheus.Collector
	Log        *slog.Logger // nil: nothing is logged
}

// SourceHealth is the state of one source.
type SourceHealth struct {
	Source   string
	Driver   string
	EveryNS  int64  // its period
	Up       bool   // the newest read gave at least one value
	Text     string // why not
	Last     record.Stamp
	HasLast  bool   // there has been a sample
	Reads    uint64 // samples taken
	Failures uint64 // samples without a single value
	Late     uint64 // deadlines that were skipped
}

// Subscriber is one open stream.
type Subscriber struct {
	Lag uint64 // entries between the head of the journal and what was sent
}
