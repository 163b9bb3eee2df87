package daemon

import (
	"context"
	"errors"
	"strings"
	"time"

	"soakrig/daemon/analysis"
	"soakrig/daemon/convert"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/metrics"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/internal/runs"
	"soakrig/daemon/record"
	"soakrig/drivers/simrig"
)

// storing is the journal as acquisition sees it: layouts are also kept by ID, so that
// a reader who begins behind their entry finds them.
type storing struct{ *journal.Journal }

func (s storing) Append(at record.Stamp, body record.Body) (uint64, error) {
	if l, ok := body.(*record.Layout); ok {
		if err := s.PutLayout(l); err != nil && !errors.Is(err, journal.ErrClosed) {
			// The entry itself follows; only readers that begin later miss the layout.
			return s.Journal.Append(at, body)
		}
	}
	return s.Journal.Append(at, body)
}

var _ acquire.Appender = storing{}

// runsView is the run manager as rpc wants it.
type runsView struct {
	*runs.Manager
	sim *simrig.Rig // nil on hardware
}

// Mark passes a mark on. On a simulated rig the marks that tell the load also switch
// it: the simulated unit has nobody else who would.
func (v runsView) Mark(ctx context.Context, text, author string) (uint64, string, error) {
	seq, run, err := v.Manager.Mark(ctx, text, author)
	if err == nil && v.sim != nil {
		switch strings.ToLower(strings.TrimSpace(text)) {
		case analysis.MarkLoadStart:
			v.sim.SetLoad(true)
		case analysis.MarkLoadEnd:
			v.sim.SetLoad(false)
		}
	}
	return seq, run, err
}

// Start takes the number of runs asked for from Repeat, where the wire puts it.
func (v runsView) Start(ctx context.Context, start record.RunStart, loadS float64) (string, uint64, error) {
	start.Repeats, start.Repeat = start.Repeat, 0
	return v.Manager.Start(ctx, start, loadS)
}

// sourceRows is the state of the sources for metrics.
func (d *Daemon) sourceRows() []metrics.SourceHealth {
	var all []metrics.SourceHealth
	for i, h := range d.acq.Load().Sources() {
		row := metrics.SourceHealth{
			Source: h.Source, Up: h.State == "opened" || h.State == "recovered", Text: h.Text, Last: h.Last, HasLast: h.HasLast,
			Reads: h.Reads, Failures: h.Failures, Late: h.Late,
		}
		if l := d.layout(); i < len(l.Sources) {
			row.Driver, row.EveryNS = l.Sources[i].Driver, l.Sources[i].EveryNS
		}
		all = append(all, row)
	}
	return all
}

func (d *Daemon) streamRows() []metrics.Subscriber {
	streams := d.rpc.Streams()
	all := make([]metrics.Subscriber, len(streams))
	for i, s := range streams {
		all[i].Lag = s.Lag
	}
	return all
}

func (d *Daemon) limits() ([]record.Limit, *record.Band) {
	p := d.runs.Plan()
	return p.Limits, p.AmbientBandC
}

func (d *Daemon) reloadState() (ok bool, at time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.reload.ok, d.reload.at
}

// convertTable is a conversion table as rpc wants it.
func convertFor(l *record.Layout) (rpc.Converter, error) { return convert.New(l) }
