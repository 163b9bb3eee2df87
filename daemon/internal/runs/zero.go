package runs

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"soakrig/daemon/analysis/zero"
	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

const (
	zeroLength = 180 * time.Second
	zeroPrime  = 500         // entries before the check that tell cold junctions
	zeroGrace  = time.Minute // beyond the time that the readings should take
)

// ZeroCheck reads the rig for a while and judges its probes. It needs that no run is
// open. A trim is written only where nothing but the spread is wrong and every
// correction is within the cap: a wide spread is what a trim removes, whereas on a
// rig that is not at rest, is warm, or lacks readings the corrections would be wrong.
// A refused trim is not an error; the report says why.
func (m *Manager) ZeroCheck(ctx context.Context, z record.ZeroCheck) (record.ZeroReport, error) {
	if z.Length <= 0 {
		z.Length = zeroLength
	}
	if z.Trim && strings.TrimSpace(z.Operator) == "" {
		return record.ZeroReport{}, fmt.Errorf("%w: a trim is signed: say who makes it", ErrPlan)
	}
	judge, err := zeroJudge(z)
	if err != nil {
		return record.ZeroReport{}, err
	}
	if err := m.zeroIdle(); err != nil {
		return record.ZeroReport{}, err
	}
	w, err := m.watchZero(ctx, z.Length, zeroGrace+time.Duration(2*float64(z.Length)/max(m.o.Clock.Speed(), 1e-3)))
	if err != nil {
		return record.ZeroReport{}, err
	}
	res := judge(w.input(z.Length))
	report := zeroReport(&res)
	if z.Trim {
		if res.TrimRefused != "" {
			report.Text += "; no trim was made: " + res.TrimRefused
			return report, nil
		}
		n, err := m.trim(z, w, &res)
		if err != nil {
			return report, err
		}
		report.Trimmed = true
		report.Text += fmt.Sprintf("; %d probes were trimmed by %s", n, z.Operator)
	}
	return report, nil
}

// zeroJudge is what judges by the method asked for.
func zeroJudge(z record.ZeroCheck) (func(zero.Input) zero.Result, error) {
	switch z.Method {
	case "", "zero_spread":
		return zero.Spread, nil
	case "ice_point":
		return zero.IcePoint, nil
	case "steam_point":
		if z.PressureHPa == nil {
			return nil, fmt.Errorf("%w: the steam point needs the station pressure in hPa", ErrPlan)
		}
		if _, err := zero.SteamPointC(*z.PressureHPa); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrPlan, err)
		}
		return func(in zero.Input) zero.Result {
			res, err := zero.SteamPoint(in, *z.PressureHPa)
			if err != nil {
				res.Text = err.Error() // never: the pressure was looked at above
			}
			return res
		}, nil
	}
	return nil, fmt.Errorf("%w: method %q; want zero_spread, ice_point or steam_point", ErrPlan, z.Method)
}

// zeroIdle refuses while a run is open.
func (m *Manager) zeroIdle() error {
	if run := m.Open(); run != "" {
		return fmt.Errorf("%w: %s; a zero check is for an unpowered rig: stop the run, let the rig cool", ErrRunOpen, run)
	}
	return nil
}

// zeroWatch collects the readings of a zero check.
type zeroWatch struct {
	layout *record.Layout
	table  *convert.Table
	values []convert.Value
	begin  record.Stamp
	series []zero.Series // by channel of the layout
	lastU  []float64     // newest expanded uncertainty, by channel
	lastC  []float64     // newest cold junction, by channel; not a number: none
}

func newZeroWatch(l *record.Layout, begin record.Stamp) (*zeroWatch, error) {
	t, err := compile(l, nil)
	if err != nil {
		return nil, err
	}
	w := &zeroWatch{layout: l, table: t.conv, values: t.values, begin: begin,
		series: make([]zero.Series, len(l.Channels)), lastU: make([]float64, len(l.Channels)), lastC: make([]float64, len(l.Channels))}
	for i, ch := range l.Channels {
		w.series[i].Channel, w.lastC[i] = ch.Name, math.NaN()
		if cal := ch.Calibration; cal != nil && cal.Trimmed {
			w.series[i].Trimmed, w.series[i].OffsetK = true, cal.OffsetK
		}
	}
	return w, nil
}

// watchZero follows the journal from its head for a length of rig time, for at most
// patience of real time.
func (m *Manager) watchZero(ctx context.Context, length, patience time.Duration) (*zeroWatch, error) {
	w, err := newZeroWatch(cloneLayout(m.o.Layout()), m.o.Clock.Now())
	if err != nil {
		return nil, err
	}
	wait, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	r := m.o.Journal.NewReader(m.zeroFrom())
	defer r.Close()
	for {
		e, err := r.Next(wait)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			continue
		case err != nil && ctx.Err() == nil && wait.Err() != nil:
			return nil, fmt.Errorf("zero check: %v of readings did not come within %v: no source delivers; see the state of the sources", length, patience.Round(time.Second))
		case err != nil:
			return nil, fmt.Errorf("zero check: %w", err)
		}
		atS := float64(e.At.BootNS-w.begin.BootNS) / 1e9
		if atS > length.Seconds() {
			return w, nil
		}
		if err := w.entry(e, atS); err != nil {
			return nil, err
		}
		if err := m.zeroIdle(); err != nil {
			return nil, err
		}
	}
}

// zeroFrom is a little before the head: external cold junctions are known then.
func (m *Manager) zeroFrom() uint64 {
	s := m.o.Journal.State()
	from := max(s.Oldest, 1)
	if s.Head > zeroPrime {
		from = max(from, s.Head-zeroPrime)
	}
	return from
}

// entry takes in what was read after the check began.
func (w *zeroWatch) entry(e record.Entry, atS float64) error {
	during := e.At.Boot == w.begin.Boot && atS >= 0
	if l, ok := e.Body.(*record.Layout); ok && during && l.ID != w.layout.ID {
		return errors.New("zero check: a source opened or a calibration changed meanwhile, so readings before and after can't be averaged; repeat the check")
	}
	s, ok := e.Body.(*record.Sample)
	if !ok || s.Layout != w.layout.ID || int(s.Source) >= len(w.layout.Sources) {
		return nil
	}
	values := w.values[:len(s.Raw)]
	if err := w.table.Convert(s, values); err != nil {
		return fmt.Errorf("zero check: %w", err)
	}
	if !during {
		return nil
	}
	for i, v := range values {
		ch := w.layout.Sources[s.Source].Channels[i]
		z := &w.series[ch]
		if v.Faults != 0 {
			z.Missing++
			z.Fault = v.Faults.String()
			continue
		}
		z.AtS, z.Value = append(z.AtS, atS), append(z.Value, v.Value)
		w.lastU[ch] = v.Expanded
		if v.Has&convert.HasCold != 0 {
			w.lastC[ch] = v.ColdC
		}
	}
	return nil
}

// input sorts the channels by what they are for. The reference is a channel of that
// role, else a calibrated room sensor.
func (w *zeroWatch) input(length time.Duration) zero.Input {
	in := zero.Input{LengthS: length.Seconds()}
	day := w.begin.Wall()
	for i := range w.layout.Channels {
		ch, s := &w.layout.Channels[i], &w.series[i]
		if ch.Kind != record.Temperature {
			continue
		}
		if len(s.Value) == 0 && s.Fault == "" {
			s.Fault = "no sample came from its source"
		}
		s.StandardK = w.lastU[i] / 2
		switch ch.Role {
		case record.RoleProbe:
			s.WireK = w.wireK(i)
			in.Probes = append(in.Probes, *s)
		case record.RoleAmbient:
			if in.Room == nil {
				in.Room = s
			}
			if cal := ch.Calibration; cal != nil && cal.Checked != "" && !convert.Expired(cal, day) && in.Reference == nil {
				in.Reference = s
			}
		}
	}
	for i := range w.layout.Channels {
		if ch := &w.layout.Channels[i]; ch.Role == record.RoleReference && ch.Kind == record.Temperature {
			in.Reference = &w.series[i]
			break
		}
	}
	return in
}

// wireK is the standard uncertainty of a channel's wire where it stands.
func (w *zeroWatch) wireK(ch int) float64 {
	s := &w.series[ch]
	if len(s.Value) == 0 {
		return 0
	}
	for _, l := range w.table.Budget(ch, s.Value[len(s.Value)-1], w.lastC[ch]) {
		if l.SharedBy == "spool" {
			return l.StandardK
		}
	}
	return 0
}

func zeroReport(res *zero.Result) record.ZeroReport {
	r := record.ZeroReport{Passed: res.Passed, Text: res.Text, SpreadK: res.SpreadK, AllowedK: res.AllowedK,
		SlopeKPer10Min: res.SlopeKPer10Min, ReferenceC: res.ReferenceC}
	for _, p := range res.Probes {
		r.Probes = append(r.Probes, record.ZeroProbe{Channel: p.Channel, MeanC: p.MeanC, OffsetK: p.OffsetK,
			CorrectionK: p.CorrectionK, Passed: p.Passed, Text: p.Text})
	}
	return r
}

// trim writes a calibration for every probe that has a correction, and says for how
// many.
func (m *Manager) trim(z record.ZeroCheck, w *zeroWatch, res *zero.Result) (n int, err error) {
	if m.o.Calibrate == nil {
		return 0, errors.New("zero check: this rig stores no calibrations")
	}
	if err := m.zeroIdle(); err != nil {
		return 0, err
	}
	if l := m.o.Layout(); l.ID != w.layout.ID {
		return 0, errors.New("zero check: a calibration changed meanwhile; nothing was trimmed, repeat the check")
	}
	now := m.o.Clock.Now()
	for _, p := range res.Probes {
		if p.CorrectionK == nil {
			continue
		}
		i := slices.IndexFunc(w.layout.Channels, func(ch record.Channel) bool { return ch.Name == p.Channel })
		cal := trimmed(w.layout.Channels[i].Calibration, res, &p, now.Wall(), z)
		if err := m.o.Calibrate(now, cal); err != nil {
			return n, fmt.Errorf("zero check: %d probes were trimmed, then %s could not be: %w", n, p.Channel, err)
		}
		n++
	}
	return n, nil
}

// trimYears is how long a trim holds (common practice).
const trimYears = 1

// trimmed is the calibration in force with the correction found added: it replaces
// that one. The steam point corrects near 100 degC and leaves 0 degC as it is.
func trimmed(old *record.Calibration, res *zero.Result, p *zero.Probe, day time.Time, z record.ZeroCheck) record.Calibration {
	cal := record.Calibration{}
	if old != nil {
		cal = *old
	}
	if len(cal.Table) == 0 && cal.Gain == 0 || cal.ValidUntil == "" {
		cal.ValidUntil = day.AddDate(trimYears, 0, 0).Format(time.DateOnly)
	}
	// One of an ID is kept, and the last by ID is in force after a restart.
	cal.ID = day.Format("20060102T150405Z") + " " + strings.ReplaceAll(res.Method, "_", "-") + " " + p.Channel
	cal.Channel, cal.Checked, cal.By = p.Channel, day.Format(time.DateOnly), z.Operator
	cal.Evidence = evidence(res, p, z)
	if res.Method == "steam_point" {
		cal.Table = withPoint(cal.Table, *res.ReferenceC, *p.CorrectionK)
		cal.UncertainK = max(cal.UncertainK, res.StandardK)
		return cal
	}
	cal.OffsetK += *p.CorrectionK
	cal.Trimmed, cal.SharedBy = true, res.SharedBy
	if len(cal.Table) > 0 {
		cal.UncertainK = max(cal.UncertainK, res.StandardK)
	} else {
		cal.UncertainK = res.StandardK
	}
	return cal
}

func evidence(res *zero.Result, p *zero.Probe, z record.ZeroCheck) string {
	text := fmt.Sprintf("%s over %g s: mean %.3f degC, reference %.3f degC (%s), correction %+.3f K",
		strings.ReplaceAll(res.Method, "_", " "), z.Length.Seconds(), *p.MeanC, *res.ReferenceC, res.ReferenceFrom, *p.CorrectionK)
	for _, f := range []struct {
		format string
		value  *float64
	}{{", spread %.2f K", res.SpreadK}, {", slope %+.2f K in 10 min", p.SlopeKPer10Min}, {", room %.2f degC", res.RoomC}} {
		if f.value != nil {
			text += fmt.Sprintf(f.format, *f.value)
		}
	}
	return text
}

// pointWithinK is how near two points of a table are the same.
const pointWithinK = 5.0

// withPoint is a table whose correction at atC is larger by addK, and that keeps what
// it has elsewhere, 0 degC included.
func withPoint(old []record.Correction, atC, addK float64) []record.Correction {
	at := func(c float64) float64 { return convert.Correct(&record.Calibration{Table: old}, c) - c }
	table := []record.Correction{{ReferenceC: atC, CorrectionK: at(atC) + addK}}
	low := false
	for _, c := range old {
		if math.Abs(c.ReferenceC-atC) > pointWithinK {
			table = append(table, c)
			low = low || c.ReferenceC < atC-pointWithinK
		}
	}
	if !low {
		table = append(table, record.Correction{ReferenceC: 0, CorrectionK: at(0)})
	}
	slices.SortFunc(table, func(a, b record.Correction) int { return int(math.Copysign(1, a.ReferenceC-b.ReferenceC)) })
	return table
}
