package zero

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"soakrig/daemon/analysis/internal/finite"
)

// rest is 180 s of a channel at atC, at 1 Hz, with noise of 0.05 K and a drift.
func rest(name string, atC, driftKPer10Min float64) Series {
	s := Series{Channel: name}
	r := rand.New(rand.NewPCG(7, uint64(len(name))+uint64(atC*1000)))
	for at := range 180 {
		s.AtS = append(s.AtS, float64(at))
		s.Value = append(s.Value, atC+driftKPer10Min*(float64(at)-89.5)/600+0.05*r.NormFloat64())
	}
	return s
}

// board is eight probes at the given distances from 23 degC in a room of 23 degC.
func board(offsets ...float64) Input {
	in := Input{LengthS: 180}
	for i, off := range offsets {
		in.Probes = append(in.Probes, rest(fmt.Sprintf("vr%d", i+1), 23+off, 0))
	}
	room := rest("room", 23, 0)
	in.Room = &room
	return in
}

func near(p *float64, want, tol float64) bool { return p != nil && math.Abs(*p-want) <= tol }

func TestZeroSpread(t *testing.T) {
	for _, c := range []struct {
		name           string
		change         func(*Input)
		passed, trim   bool
		spread, allow  float64
		text, probe    string // a part of the text, and of that of vr1
		reference, off float64
	}{
		{name: "all well", passed: true, trim: true, spread: 0.6, allow: 2, text: "within the 2.0 K", reference: 23, off: 0.3},
		{name: "spread too wide", change: func(in *Input) { *in = board(1.2, -1.1, 0, 0, 0.1, 0, -0.1, -0.1) }, trim: true, spread: 2.3, allow: 2, text: "more than the 2.0 K", reference: 23, off: 1.2},
		{name: "trimmed: 1 K is allowed", change: func(in *Input) {
			*in = board(0.6, -0.6, 0, 0, 0, 0, 0, 0)
			for i := range in.Probes {
				in.Probes[i].Trimmed = true
			}
		}, trim: true, spread: 1.2, allow: 1, reference: 23, off: 0.6},
		{name: "beyond the cap", change: func(in *Input) { *in = board(1.99, -1.5, 0, 0, 0, 0, 0, -1.9); in.Reference = &in.Probes[7] }, spread: 3.89, allow: 2, text: "more than 2 K", probe: "look for a fault", reference: 21.1, off: 3.89},
		{name: "beyond the cap with the trim in force", change: func(in *Input) { in.Probes[0].Trimmed, in.Probes[0].OffsetK = true, -1.8 }, spread: 0.6, allow: 2, probe: "-2.10 K in all", reference: 23, off: 0.3},
		{name: "moves", change: func(in *Input) { in.Probes[0] = rest("vr1", 23.3, -0.9) }, spread: 0.6, allow: 2, text: "not at rest", probe: "moves by -0.", reference: 23, off: 0.3},
		{name: "warm", change: func(in *Input) { room := rest("room", 20.6, 0); in.Room = &room }, spread: 0.6, allow: 2, text: "8 of 8 probes are more than 2 K from the room", probe: "+2.7 K from the room", reference: 23, off: 0.3},
		{name: "no room sensor", change: func(in *Input) { in.Room = nil }, passed: true, trim: true, spread: 0.6, allow: 2, text: "no room sensor", reference: 23, off: 0.3},
		{name: "room sensor without a reading", change: func(in *Input) { in.Room = &Series{Channel: "room", Missing: 180, Fault: "no_chip"} }, spread: 0.6, allow: 2, text: "no reading: no_chip", reference: 23, off: 0.3},
		{name: "open probe", change: func(in *Input) { in.Probes[7] = Series{Channel: "vr8", Missing: 180, Fault: "open"} }, spread: 0.6, allow: 2, text: "vr8 has no reading", reference: 23.043, off: 0.257},
		{name: "readings missing", change: func(in *Input) { in.Probes[0].Missing, in.Probes[0].Fault = 20, "open" }, spread: 0.6, allow: 2, probe: "20 of 200 readings are missing: open", reference: 23, off: 0.3},
		{name: "too short", change: func(in *Input) { in.LengthS = 20 }, spread: 0.6, allow: 2, text: "too short to tell a slope", reference: 23, off: 0.3},
		{name: "reference channel", change: func(in *Input) { r := rest("ref", 22.8, 0); r.StandardK = 0.1; in.Reference = &r }, passed: true, trim: true, spread: 0.6, allow: 2, text: "channel ref", reference: 22.8, off: 0.5},
		{name: "reference channel without a reading", change: func(in *Input) { in.Reference = &Series{Channel: "ref", Fault: "timeout"} }, passed: true, trim: true, spread: 0.6, allow: 2, text: "stands in", reference: 23, off: 0.3},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := board(0.3, -0.3, 0.1, -0.1, 0.2, -0.2, 0.3, -0.3)
			if c.change != nil {
				c.change(&in)
			}
			r := Spread(in)
			if r.Passed != c.passed || (r.TrimRefused == "") != c.trim {
				t.Errorf("passed %v, trim refused %q: %s", r.Passed, r.TrimRefused, r.Text)
			}
			if !near(r.SpreadK, c.spread, 0.03) || !near(r.AllowedK, c.allow, 0) || !near(r.ReferenceC, c.reference, 0.02) {
				t.Errorf("spread %v, allowed %v, reference %v", *r.SpreadK, *r.AllowedK, *r.ReferenceC)
			}
			if !strings.Contains(r.Text, c.text) || !strings.Contains(r.Probes[0].Text, c.probe) {
				t.Errorf("text %q, vr1 %q", r.Text, r.Probes[0].Text)
			}
			if p := r.Probes[0]; !near(p.OffsetK, c.off, 0.03) || !near(p.CorrectionK, -*p.OffsetK, 0) || p.Passed != (c.probe == "") {
				t.Errorf("vr1: %+v", p)
			}
			finite.Check(t, r)
		})
	}
}

// TestZeroUncertainty: corrections to the mean of eight probes keep the common part of
// what they scatter by; those to a reference keep that of the reference.
func TestZeroUncertainty(t *testing.T) {
	in := board(0, 0, 0, 0, 0, 0, 0, 0)
	if r := Spread(in); math.Abs(r.StandardK-0.47/math.Sqrt(8)) > 1e-9 || r.SharedBy != "rig" || !strings.Contains(r.ReferenceFrom, "mean of 8") {
		t.Errorf("%+v", r)
	}
	ref := rest("ref", 23, 0)
	ref.StandardK = 0.06
	in.Reference = &ref
	if r := Spread(in); r.StandardK != 0.06 {
		t.Errorf("%+v", r)
	}
}

func TestZeroSmall(t *testing.T) {
	if r := Spread(board(0.4)); !r.Passed || r.SpreadK != nil || !near(r.Probes[0].OffsetK, 0, 1e-9) {
		t.Errorf("one probe: %+v", r)
	}
	if r := Spread(board()); r.Passed || r.TrimRefused == "" || r.ReferenceC != nil {
		t.Errorf("no probe: %+v", r)
	}
}

// TestZeroSpreadRate: boards whose probes scatter by the standard deviation that the
// limit is made for fail about once in twenty times (4.3 standard deviations are the
// 95 % point of the range of eight).
func TestZeroSpreadRate(t *testing.T) {
	const boards, seed = 3000, 11
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	failed := 0
	for range boards {
		in := Input{LengthS: 180}
		for i := range 8 {
			s, atC := Series{Channel: fmt.Sprintf("vr%d", i)}, 23+0.47*r.NormFloat64()
			for k := range 12 {
				s.AtS, s.Value = append(s.AtS, float64(15*k)), append(s.Value, atC)
			}
			in.Probes = append(in.Probes, s)
		}
		if !Spread(in).Passed {
			failed++
		}
	}
	if share := float64(failed) / boards; share < 0.035 || share > 0.075 {
		t.Errorf("%.1f %% of sound boards fail, want about 5", 100*share)
	}
}

// if97SaturationC is the saturation temperature in degC at a pressure in MPa by the
// backward equation of region 4 of IAPWS-IF97 (equation 31).
func if97SaturationC(mpa float64) float64 {
	n := [...]float64{0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3}
	b := math.Sqrt(math.Sqrt(mpa))
	e := b*b + n[2]*b + n[5]
	f := n[0]*b*b + n[3]*b + n[6]
	g := n[1]*b*b + n[4]*b + n[7]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n[9]+d-math.Sqrt((n[9]+d)*(n[9]+d)-4*(n[8]+n[9]*d)))/2 - 273.15
}

// TestSteamPointC against IAPWS-IF97, whose table 36 checks the equation above:
// 372.755919 K at 0.1 MPa, 453.035632 K at 1 MPa, 584.149488 K at 10 MPa.
func TestSteamPointC(t *testing.T) {
	for mpa, wantK := range map[float64]float64{0.1: 372.755919, 1: 453.035632, 10: 584.149488} {
		if got := if97SaturationC(mpa) + 273.15; math.Abs(got-wantK) > 1e-6 {
			t.Fatalf("IF97 at %g MPa: %.6f K, want %.6f", mpa, got, wantK)
		}
	}
	for hpa := 900.0; hpa <= 1050; hpa++ {
		got, err := SteamPointC(hpa)
		tol := 0.025
		if hpa >= 950 {
			tol = 0.005
		}
		if want := if97SaturationC(hpa / 1e4); err != nil || math.Abs(got-want) > tol {
			t.Errorf("%g hPa: %.4f degC (%v), want %.4f +- %g", hpa, got, err, want, tol)
		}
	}
	for _, hpa := range []float64{899, 1051, 0, -5, math.NaN(), math.Inf(1)} {
		if _, err := SteamPointC(hpa); err == nil || !strings.Contains(err.Error(), "sea level") {
			t.Errorf("%g hPa: %v", hpa, err)
		}
	}
}

func TestFixedPoints(t *testing.T) {
	bath := func(atC ...float64) Input {
		in := Input{LengthS: 180}
		for i, c := range atC {
			s := rest(fmt.Sprintf("vr%d", i+1), c, 0)
			s.WireK = 0.87
			in.Probes = append(in.Probes, s)
		}
		return in
	}
	type want struct {
		passed, trim bool
		reference    float64
		allowed      float64
		probes       string // p passed, f failed, - not in the bath
		text         string
	}
	check := func(name string, r Result, err error, w want) {
		t.Helper()
		if err != nil {
			t.Fatal(name, err)
		}
		got := ""
		for _, p := range r.Probes {
			switch {
			case p.OffsetK == nil:
				got += "-"
			case p.Passed:
				got += "p"
			default:
				got += "f"
			}
		}
		if r.Passed != w.passed || (r.TrimRefused == "") != w.trim || got != w.probes || !near(r.ReferenceC, w.reference, 0.001) || !strings.Contains(r.Text, w.text) {
			t.Errorf("%s: passed %v, refused %q, probes %s, reference %v: %s", name, r.Passed, r.TrimRefused, got, *r.ReferenceC, r.Text)
		}
		if w.allowed > 0 && !near(r.AllowedK, w.allowed, 0.01) {
			t.Errorf("%s: allowed %v, want %g", name, *r.AllowedK, w.allowed)
		}
		finite.Check(t, r)
	}
	check("ice, one of two in it", IcePoint(bath(0.3, 23)), nil, want{true, true, 0, 0.94, "p-", "1 of 2 probes"})
	check("ice, off", IcePoint(bath(1.3)), nil, want{false, true, 0, 0.94, "f", "1 of them farther"})
	check("ice, beyond the cap", IcePoint(bath(2.6)), nil, want{false, false, 0, 0.94, "f", "more than 2 K"})
	check("nothing in the bath", IcePoint(bath(23, 22)), nil, want{false, false, 0, 0, "--", "no probe is within"})
	trimmed := bath(0.6)
	trimmed.Probes[0].Trimmed = true
	check("ice, trimmed", IcePoint(trimmed), nil, want{false, true, 0, 0.46, "f", ""})
	moving := bath(0.1)
	moving.Probes[0] = rest("vr1", 0.2, 1.5)
	check("ice, moving", IcePoint(moving), nil, want{false, false, 0, 0.94, "f", "not at rest"})
	open := bath(0.1, 23)
	open.Probes[1] = Series{Channel: "vr2", Missing: 180, Fault: "open"}
	check("ice, another probe open", IcePoint(open), nil, want{true, true, 0, 0.94, "p-", ""})
	lost := bath(0.1)
	lost.Probes[0].Missing = 60
	check("ice, readings missing", IcePoint(lost), nil, want{false, false, 0, 0.94, "f", ""})
	r, err := SteamPoint(bath(98.9, 97.4), 985)
	check("steam", r, err, want{true, true, 99.1835, 1.98, "pp", "sea level"})
	if _, err := SteamPoint(bath(99), 700); err == nil {
		t.Error("700 hPa was accepted")
	}
}
