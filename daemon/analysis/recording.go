package analysis

import (
	"math"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// Recording keeps the seconds of a whole run and judges it. It takes about 40 bytes
// per channel and second. It is not safe for concurrent use.
type Recording struct {
	engine
	base    int64 // first second kept
	columns [][]cell
	ambient []float64 // low-passed room of every second
}

// NewRecording opens a recording. The error lists everything wrong with the plan.
func NewRecording(in Input) (*Recording, error) {
	e, err := newEngine(in)
	if err != nil {
		return nil, err
	}
	r := &Recording{engine: *e, columns: make([][]cell, len(in.Channels)), base: math.MinInt64}
	r.sealed = func(row *row) {
		if r.base == math.MinInt64 {
			r.base = row.second
		}
		for i := range r.columns {
			r.columns[i] = append(r.columns[i], row.cells[i])
		}
		r.ambient = append(r.ambient, row.ambient)
	}
	return r, nil
}

// bounds are the first second kept and one past the last.
func (r *Recording) bounds() (int64, int64) {
	if r.base == math.MinInt64 {
		return 0, 0
	}
	return r.base, r.base + int64(len(r.ambient))
}

// row fills a row with a kept second.
func (r *Recording) row(second int64, into *row) {
	i := second - r.base
	into.second, into.ambient = second, r.ambient[i]
	for ch := range r.columns {
		into.cells[ch] = r.columns[ch][i]
	}
}

// series are the medians of a channel over the seconds from..to, absent where there
// is none.
func (r *Recording) series(channel int, from, to int64) []float64 {
	first, last := r.bounds()
	out := make([]float64, 0, max(to-from, 0))
	for s := from; s < to; s++ {
		if s < first || s >= last {
			out = append(out, series.Absent())
			continue
		}
		out = append(out, r.columns[channel][s-r.base].v)
	}
	return out
}

// Evaluate judges what was observed so far. It changes nothing and may be called
// again.
func (r *Recording) Evaluate() record.Result {
	ev := newEvaluation(r)
	ev.header()
	ev.findLoad()
	ev.accumulate()
	ev.judgeHealth()
	ev.describeAmbient()
	ev.describeProbes()
	ev.findPeak()
	ev.describeLoad()
	ev.judgePower()
	ev.judgeMeter()
	ev.describeSteady()
	ev.judgeLimits()
	ev.budget()
	ev.checkRecord()
	ev.decide()
	return ev.finish()
}
