package rpc

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

// Options say what a Server serves. Rig, Journal, Layout, Convert, Runs and Clock are
// required; the rest may be left out.
type Options struct {
	Rig       string
	Version   string // of soakd
	Algorithm string // of the analysis
	Simulated bool   // nothing the rig says is a measurement

	Journal Journal
	// Layout is the layout in force; never nil. Called concurrently.
	Layout func() *record.Layout
	// Convert makes the table that turns a layout's codes into values. Every stream
	// has its own.
	Convert func(*record.Layout) (Converter, error)
	Runs    Runs
	// RunErrors are the errors by which Runs says what is wrong.
	RunErrors RunErrors
	// Push feeds one pushed channel; nil: the rig has none. value nil: the pusher
	// knows that there is no value. Called concurrently.
	Push func(ctx context.Context, channel string, value *float64, age time.Duration) error
	// Sources is the state of every source in the order of the layout; nil: unknown.
	Sources func() []SourceHealth
	Clock   rigtime.Clock
	// DefaultPlan is the plan of a run that brings none, as configured now. The commands
	// in it are the only ones that a plan over the wire may name. Called concurrently.
	DefaultPlan func() record.Plan

	Security Security
	// NoReflection switches server reflection off.
	NoReflection bool
	Limits       Limits
	Log          *slog.Logger // nil: nothing is logged

	keepaliveTime time.Duration // zero: 20 s; shorter in tests
}

// Converter turns the codes of a sample into values: *convert.Table.
type Converter interface {
	Convert(s *record.Sample, out []convert.Value) error
}

// Runs starts, stops, judges and lists runs. Its methods are called concurrently.
type Runs interface {
	// Start opens a run; start.Run is chosen by it. start.Repeat is how many runs were
	// asked for, zero and 1 mean one.
	Start(ctx context.Context, start record.RunStart, loadS float64) (run string, seq uint64, err error)
	// Stop ends the open run; run empty: whichever is open.
	Stop(ctx context.Context, run, reason string) (string, error)
	// Mark adds a line to the journal and to the open run, if there is one.
	Mark(ctx context.Context, text, author string) (seq uint64, run string, err error)
	Get(run string) (journal.RunRow, error)
	// List is newest first, starting after beforeRun; empty: with the newest.
	List(unit, beforeRun string, limit int) ([]journal.RunRow, error)
	// Live is the state of the open run; false: none is open.
	Live() (record.Live, bool)
	// Changed is closed at the next change of run state.
	Changed() <-chan struct{}
	Evaluate(ctx context.Context, run string, limits []record.Limit, constants map[string]float64) (record.Result, error)
	ZeroCheck(ctx context.Context, z record.ZeroCheck) (record.ZeroReport, error)
}

// RunErrors name the errors of Runs that have a status code of their own; a nil one
// never matches. Any other error is INTERNAL.
type RunErrors struct {
	NoRun   error // NOT_FOUND: no run of that name
	Open    error // FAILED_PRECONDITION: another run is open
	NotOpen error // FAILED_PRECONDITION: no run is open
	Plan    error // INVALID_ARGUMENT: the plan, limits or constants contradict themselves
	Source  error // FAILED_PRECONDITION: a source that is needed has no value
}

// SourceHealth is the state of one source.
type SourceHealth struct {
	Source   string   `json:"source"`
	State    string   `json:"state"` // opened, failed, recovered, closed
	Text     string   `json:"text"`
	AgeS     *float64 `json:"age_s"` // of the newest sample; nil: there has been none
	Reads    uint64   `json:"reads"`
	Failures uint64   `json:"failures"`
	Late     uint64   `json:"late"`
}

// Limits bound what strangers and mistakes can cost. Zero fields mean the default.
type Limits struct {
	Connections       int     // at once, all listeners together; 256
	StreamsPerConn    int     // calls at once on one connection; 64
	Calls             int     // calls at once in all; 1024
	RequestsPerSecond float64 // calls begun per second by one caller from one host, who waits beyond it; 1000, bursts of twice that
	DeniedPerSecond   float64 // calls without valid credentials per second and host; 100, bursts of twice that
}

func (l *Limits) fill() {
	if l.Connections == 0 {
		l.Connections = 256
	}
	if l.StreamsPerConn == 0 {
		l.StreamsPerConn = 64
	}
	if l.Calls == 0 {
		l.Calls = 1024
	}
	if l.RequestsPerSecond == 0 {
		l.RequestsPerSecond = 1000
	}
	if l.DeniedPerSecond == 0 {
		l.DeniedPerSecond = 100
	}
}

// keepalive is after how much silence a connection is asked whether it lives; half as
// long later it is given up. Clients may ask four times as often.
func (o *Options) keepalive() time.Duration {
	if o.keepaliveTime > 0 {
		return o.keepaliveTime
	}
	return 20 * time.Second
}

func (o *Options) check() error {
	missing := map[string]bool{
		"Rig": o.Rig == "", "Journal": o.Journal == nil, "Layout": o.Layout == nil,
		"Convert": o.Convert == nil, "Runs": o.Runs == nil, "Clock": o.Clock == nil,
	}
	if o.DefaultPlan == nil {
		o.DefaultPlan = func() record.Plan { return record.Plan{} }
	}
	for name, is := range missing {
		if is {
			return errors.New("rpc: Options." + name + " is missing")
		}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Limits.fill()
	return nil
}
