package runs

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/record"
)

// coldRig is an unpowered rig: two thermocouples whose cold junction is a block
// sensor, and a room sensor. Its clock stands still; what it writes lies ahead, so
// that a check finds its readings at once.
type coldRig struct {
	t      *testing.T
	j      *journal.Journal
	m      *Manager
	layout *record.Layout
	now    record.Stamp
	stored []record.Calibration
}

func (r *coldRig) Now() record.Stamp                       { return r.now }
func (r *coldRig) SleepUntil(context.Context, int64) error { return nil }
func (r *coldRig) Speed() float64                          { return 1 }

func newColdRig(t *testing.T) *coldRig {
	lines := []record.Line{{Name: "sensor", Half: 0.5, SharedBy: "converter"}}
	couple := func(name string) record.Channel {
		return record.Channel{Name: name, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Class: "iec-1",
			Cold:      record.ColdJunction{From: "channel", Channel: "block"},
			Converter: record.Converter{Model: "T", Law: record.LawEMF, PerCode: 1e-6}}
	}
	sensor := func(name string, role record.Role) record.Channel {
		return record.Channel{Name: name, Kind: record.Temperature, Unit: "degC", Role: role,
			Converter: record.Converter{Model: "S", Law: record.LawLinear, PerCode: 0.01, Lines: lines}}
	}
	r := &coldRig{t: t, now: record.Stamp{Boot: record.BootID{1}, BootNS: 1e12, WallNS: time.Date(2030, 5, 1, 8, 0, 0, 0, time.UTC).UnixNano(), Synced: true}}
	r.layout = &record.Layout{ID: 9, Rig: "t",
		Channels: []record.Channel{couple("vr1"), couple("vr2"), sensor("block", record.RoleInfo), sensor("room", record.RoleAmbient)},
		Sources:  []record.Source{{Name: "couples", EveryNS: 1e9, Channels: []int{0, 1}}, {Name: "sensors", EveryNS: 1e10, Channels: []int{2, 3}}}}
	j, err := journal.Open(journal.Options{Dir: t.TempDir(), Sync: 10 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	r.j = j
	r.m, err = New(Options{Rig: "t", Journal: j, Clock: r, Layout: func() *record.Layout { return r.layout },
		Calibrate: func(_ record.Stamp, c record.Calibration) error { r.stored = append(r.stored, c); return nil }})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *coldRig) append(atS float64, body record.Body) {
	r.t.Helper()
	at := r.now
	at.BootNS += int64(atS * 1e9)
	at.WallNS += int64(atS * 1e9)
	if _, err := r.j.Append(at, body); err != nil {
		r.t.Fatal(err)
	}
}

func code(v float64) record.Raw { return record.Raw{Has: record.HasCode, Code: int64(math.Round(v))} }

// write puts a check's length of samples ahead of the clock. uV are the EMF of the
// two probes, in microvolts (about 40 per K), blockC the cold junction.
func (r *coldRig) write(seconds int, uV1, uV2, blockC, roomC, driftUVPerMin float64) {
	r.append(-5, &record.Sample{Layout: r.layout.ID, Source: 1, Raw: []record.Raw{code(blockC * 100), code(roomC * 100)}})
	for s := range seconds + 2 {
		d := driftUVPerMin * float64(s) / 60
		r.append(float64(s), &record.Sample{Layout: r.layout.ID, Source: 0, Raw: []record.Raw{code(uV1 + d), code(uV2 + d)}})
		if s%10 == 9 {
			r.append(float64(s)+0.5, &record.Sample{Layout: r.layout.ID, Source: 1, Raw: []record.Raw{code(blockC * 100), code(roomC * 100)}})
		}
	}
}

func (r *coldRig) check(z record.ZeroCheck) record.ZeroReport {
	r.t.Helper()
	rep, err := r.m.ZeroCheck(r.t.Context(), z)
	if err != nil {
		r.t.Fatal(err)
	}
	return rep
}

func near(p *float64, want, tol float64) bool { return p != nil && math.Abs(*p-want) <= tol }

// TestZeroCheck: the junction is at 23 degC, so 40 uV are about a kelvin (E(24) - E(23)
// = 40.3 uV, NIST Monograph 175).
func TestZeroCheck(t *testing.T) {
	r := newColdRig(t)
	r.write(180, 12, -12, 23, 22.6, 0)
	rep := r.check(record.ZeroCheck{})
	if !rep.Passed || rep.Trimmed || !near(rep.SpreadK, 0.596, 0.01) || !near(rep.AllowedK, 2, 0) || !near(rep.ReferenceC, 23, 0.01) || !near(rep.SlopeKPer10Min, 0, 0.01) {
		t.Errorf("%+v", rep)
	}
	if p := rep.Probes[0]; p.Channel != "vr1" || !near(p.OffsetK, 0.298, 0.01) || !near(p.CorrectionK, -0.298, 0.01) || !p.Passed {
		t.Errorf("%+v", p)
	}
	if len(r.stored) != 0 {
		t.Errorf("calibrations without a trim: %+v", r.stored)
	}
}

// TestZeroTrim: the trim is added to the calibration in force, which it replaces, and
// makes the probes agree.
func TestZeroTrim(t *testing.T) {
	r := newColdRig(t)
	r.layout.Channels[0].Calibration = &record.Calibration{ID: "rig.yaml", Channel: "vr1", OffsetK: 0.2, Checked: "2029-01-01",
		ValidUntil: "2031-06-01", Table: []record.Correction{{ReferenceC: 0}, {ReferenceC: 100, CorrectionK: 0.5}}, UncertainK: 0.4}
	r.write(180, 45, -45, 23, 22.6, 0) // a spread of more than 2 K: fails, and is what a trim removes
	rep := r.check(record.ZeroCheck{Trim: true, Operator: "bench operator"})
	if rep.Passed || !rep.Trimmed || len(r.stored) != 2 || !strings.Contains(rep.Text, "2 probes were trimmed by bench operator") {
		t.Fatalf("%+v, %+v", rep, r.stored)
	}
	one, two := r.stored[0], r.stored[1]
	if math.Abs(one.OffsetK-(0.2+*rep.Probes[0].CorrectionK)) > 1e-12 || !one.Trimmed || one.Checked != "2030-05-01" || one.By != "bench operator" ||
		one.ValidUntil != "2031-06-01" || one.UncertainK != 0.4 || len(one.Table) != 2 || one.SharedBy != "rig" || one.ID != "20300501T080000Z zero-spread vr1" {
		t.Errorf("vr1: %+v", one)
	}
	if two.OffsetK != *rep.Probes[1].CorrectionK || two.ValidUntil != "2031-05-01" || math.Abs(two.UncertainK-0.47/math.Sqrt2) > 1e-9 {
		t.Errorf("vr2: %+v", two)
	}
	for _, want := range []string{"zero spread over 180 s", "mean of 2 probes", "correction", "spread", "room 22.60", "slope"} {
		if !strings.Contains(two.Evidence, want) {
			t.Errorf("evidence %q lacks %q", two.Evidence, want)
		}
	}
	r.layout.Channels[0].Calibration, r.layout.Channels[1].Calibration = &one, &two
	r.layout.ID++
	r.now.BootNS += 1e12
	r.write(180, 45, -45, 23, 22.6, 0)
	again := r.check(record.ZeroCheck{})
	if !again.Passed || !near(again.SpreadK, 0, 0.01) || !near(again.AllowedK, 1, 0) {
		t.Errorf("after the trim: %+v", again)
	}
}

// TestZeroTrimRefused: what would make corrections wrong stores nothing.
func TestZeroTrimRefused(t *testing.T) {
	for name, c := range map[string]struct {
		write func(*coldRig)
		why   string
	}{
		"not at rest":    {func(r *coldRig) { r.write(180, 12, -12, 23, 22.6, 8) }, "not at rest"},
		"warm":           {func(r *coldRig) { r.write(180, 12, -12, 27, 22.6, 0) }, "from the room"},
		"beyond the cap": {func(r *coldRig) { r.write(180, 90, -90, 23, 22.6, 0) }, "more than 2 K"},
		"no junction": {func(r *coldRig) {
			for s := range 183 {
				r.append(float64(s), &record.Sample{Layout: 9, Source: 0, Raw: []record.Raw{code(10), code(10)}})
			}
		}, "vr1 has no reading"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newColdRig(t)
			c.write(r)
			rep := r.check(record.ZeroCheck{Trim: true, Operator: "o"})
			if rep.Passed || rep.Trimmed || len(r.stored) != 0 || !strings.Contains(rep.Text, "no trim was made: ") || !strings.Contains(rep.Text, c.why) {
				t.Errorf("%+v, stored %d", rep, len(r.stored))
			}
		})
	}
}

// TestZeroReference: a reference channel, or a room sensor with a calibration that has
// not run out, is what probes are compared with.
func TestZeroReference(t *testing.T) {
	r := newColdRig(t)
	r.layout.Channels[3].Calibration = &record.Calibration{ID: "lab", Checked: "2030-01-01", ValidUntil: "2030-12-31"}
	r.write(180, 0, 0, 23, 22.6, 0)
	if rep := r.check(record.ZeroCheck{}); !near(rep.ReferenceC, 22.6, 0.001) || !strings.Contains(rep.Text, "channel room") {
		t.Errorf("%+v", rep)
	}
	r.layout.Channels[3].Calibration.ValidUntil = "2030-04-30"
	if rep := r.check(record.ZeroCheck{}); !near(rep.ReferenceC, 23, 0.001) {
		t.Errorf("with a calibration that has run out: %+v", rep)
	}
	r.layout.Channels[2].Role = record.RoleReference
	if rep := r.check(record.ZeroCheck{}); !strings.Contains(rep.Text, "channel block") {
		t.Errorf("%+v", rep)
	}
}

// TestSteamTrim: with the junction at 23 degC the probe in steam of 985 hPa
// (99.18 degC) reads a little low; the correction joins the table, the offset stays,
// and the spool counts as checked.
func TestSteamTrim(t *testing.T) {
	r := newColdRig(t)
	r.layout.Channels[0].Calibration = &record.Calibration{ID: "z", Channel: "vr1", OffsetK: 0.1, Trimmed: true, Checked: "2030-04-01", UncertainK: 0.05}
	p := 985.0
	r.write(180, 3127, 10, 23, 22.6, 0) // E(98.8) is about 4.046 mV, less E(23) = 0.919 mV
	rep := r.check(record.ZeroCheck{Trim: true, Operator: "o", Method: "steam_point", PressureHPa: &p})
	if !rep.Trimmed || len(r.stored) != 1 {
		t.Fatalf("%+v, %+v", rep, r.stored)
	}
	cal := r.stored[0]
	if cal.OffsetK != 0.1 || len(cal.Table) != 2 || cal.Table[0] != (record.Correction{}) || math.Abs(cal.Table[1].ReferenceC-99.18) > 0.01 ||
		cal.Table[1].CorrectionK != *rep.Probes[0].CorrectionK || cal.UncertainK != 0.10 || !cal.Trimmed {
		t.Errorf("%+v", cal)
	}
	wire := func(c *record.Calibration) (u float64) {
		l := *r.layout
		l.Channels = append([]record.Channel(nil), l.Channels...)
		l.Channels[0].Calibration = c
		tab, err := convert.New(&l)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range tab.Budget(0, 85, 23) {
			if line.SharedBy == "spool" {
				u = line.StandardK
			}
		}
		return u
	}
	if before, after := wire(nil), wire(&cal); before < 0.8 || after != 0.3 {
		t.Errorf("wire: %.2f K before, %.2f K after", before, after)
	}
}

func TestIcePoint(t *testing.T) {
	r := newColdRig(t)
	r.write(180, -919+20, 0, 23, 22.6, 0) // E(23) = 0.919 mV
	rep := r.check(record.ZeroCheck{Method: "ice_point", Trim: true, Operator: "o"})
	if !rep.Passed || len(r.stored) != 1 || !near(rep.Probes[0].OffsetK, 0.5, 0.02) || rep.Probes[1].Passed || !strings.Contains(rep.Probes[1].Text, "not in the bath") {
		t.Errorf("%+v %+v", rep, r.stored)
	}
}

func TestWithPoint(t *testing.T) {
	old := []record.Correction{{ReferenceC: 0, CorrectionK: 0.1}, {ReferenceC: 98, CorrectionK: 0.4}, {ReferenceC: 200, CorrectionK: 1}}
	got := withPoint(old, 99, 0.2)
	if len(got) != 3 || got[0] != old[0] || got[2] != old[2] || got[1].ReferenceC != 99 || math.Abs(got[1].CorrectionK-(0.4+0.6/102+0.2)) > 1e-12 {
		t.Errorf("%+v", got)
	}
	if got := withPoint([]record.Correction{{ReferenceC: 150, CorrectionK: 0.6}}, 99, -0.2); len(got) != 3 || got[0] != (record.Correction{CorrectionK: 0.6}) {
		t.Errorf("%+v", got)
	}
}

func TestZeroRefusals(t *testing.T) {
	r := newColdRig(t)
	low := 700.0
	for name, z := range map[string]record.ZeroCheck{
		"a trim is signed": {Trim: true}, "station pressure": {Method: "steam_point"}, "700 hPa": {Method: "steam_point", PressureHPa: &low}, `"tea"`: {Method: "tea"},
	} {
		if _, err := r.m.ZeroCheck(t.Context(), z); !errors.Is(err, ErrPlan) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.m.ZeroCheck(stopped, record.ZeroCheck{}); !errors.Is(err, context.Canceled) {
		t.Errorf("a call that ended: %v", err)
	}
	if _, err := r.m.watchZero(t.Context(), time.Minute, 20*time.Millisecond); err == nil || !strings.Contains(err.Error(), "no source delivers") {
		t.Errorf("nothing comes: %v", err)
	}
	r.write(30, 0, 0, 23, 23, 0)
	other := *r.layout
	other.ID++
	r.append(40, &other)
	if _, err := r.m.ZeroCheck(t.Context(), record.ZeroCheck{}); err == nil || !strings.Contains(err.Error(), "changed meanwhile") {
		t.Errorf("another layout: %v", err)
	}
	if _, _, err := r.m.Start(t.Context(), record.RunStart{Unit: "carrier-a", Plan: record.Plan{Phases: []record.PhasePlan{{Phase: record.PhaseLoad, LengthS: 60, Begins: "now", Results: true}}}}, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := r.m.ZeroCheck(t.Context(), record.ZeroCheck{}); !errors.Is(err, ErrRunOpen) {
		t.Errorf("with an open run: %v", err)
	}
}

// TestZeroTrimHalfDone: a store that fails says how far the trim went.
func TestZeroTrimHalfDone(t *testing.T) {
	r := newColdRig(t)
	r.write(180, 12, -12, 23, 22.6, 0)
	r.m.o.Calibrate = func(_ record.Stamp, c record.Calibration) error {
		if c.Channel == "vr2" {
			return errors.New("the disk is full")
		}
		return nil
	}
	if _, err := r.m.ZeroCheck(t.Context(), record.ZeroCheck{Trim: true, Operator: "o"}); err == nil || !strings.Contains(err.Error(), "1 probes were trimmed, then vr2") {
		t.Errorf("%v", err)
	}
	r.m.o.Calibrate = nil
	if _, err := r.m.ZeroCheck(t.Context(), record.ZeroCheck{Trim: true, Operator: "o"}); err == nil {
		t.Error("nothing stores calibrations")
	}
}
