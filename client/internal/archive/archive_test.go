package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"soakrig/daemon/record"
)

// startNS is 2026-05-02 08:00:00 UTC.
const startNS = 1777708800 * int64(time.Second)

// testRun is a run of n seconds of three channels with a fault, evidence and events.
func testRun(id string, n int) (*Run, []Reading) {
	run := &Run{
		Record: Record{Start: record.RunStart{Run: id, Unit: "carrier-7", Setup: record.Setup{Name: "rated"}}, Rig: "bench-1", State: "ended",
			StartedWallNS: startNS, EndedWallNS: startNS + int64(n)*1e9, FirstSeq: 10, LastSeq: 10 + uint64(n), JournalID: "j1"},
		Result: record.Result{Algorithm: "test/1", Run: id, Unit: "carrier-7", Verdict: record.VerdictPass, Reasons: []record.Reason{}, Probes: []record.ProbeResult{},
			Phases: []record.PhaseResult{}, Limits: []record.LimitResult{}, Findings: []record.Finding{}, Gaps: []record.GapResult{},
			Budget: []record.BudgetLine{{Name: "wire", StandardK: 0.9, Share: 1}}, Constants: map[string]float64{"peak_hold_s": 10},
			Peak: &record.Peak{Channel: "vr1", HeldC: 90}},
		Layouts: []record.Layout{{ID: 3, Rig: "bench-1", Channels: []record.Channel{
			{Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe},
			{Name: "room", Kind: record.Temperature, Unit: "degC", Role: record.RoleAmbient},
			{Name: "wall", Kind: record.Power, Unit: "W", Role: record.RoleSupply},
		}}},
		Events: []Event{{Seq: 12, AtS: 1.5, WallNS: startNS + 15e8, Kind: "mark", Text: "load start", Author: "script"}},
	}
	var all []Reading
	for i := range n {
		emf, coldC := 0.001+float64(i)*1e-6, 24.5
		a := Reading{Seq: 10 + uint64(i), AtS: float64(i), WallNS: startNS + int64(i)*1e9, Synced: true, Value: 25 + float64(i)/8, Expanded: 2.1,
			Raw: record.Raw{Has: record.HasCode | record.HasCold, Code: int64(i), Cold: 400, AgeUS: 50}, EMFVolts: &emf, ColdC: &coldC}
		b, c := a, a
		b.Channel, b.Value = 1, 23
		c.Channel, c.Value, c.Expanded, c.EMFVolts, c.ColdC, c.Raw = 2, -0.25, 0, nil, nil, record.Raw{Has: record.HasCode, Code: -7}
		if i == 3 {
			a.Faults, a.Raw.Faults, a.Value, a.Expanded = record.Open|record.Stale, record.Open|record.Stale, 0, 0
		}
		all = append(all, a, b, c)
	}
	return run, all
}

func iterate(all []Reading) Readings {
	return func(yield func(*Reading, error) bool) {
		for i := range all {
			if !yield(&all[i], nil) {
				return
			}
		}
	}
}

func TestRoundTrip(t *testing.T) {
	run, all := testRun("2026-05-02-1", 3000)
	path := filepath.Join(t.TempDir(), "a.parquet")
	if _, err := WriteFile(path, func(w io.Writer) error { return Write(w, run, iterate(all)) }); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if got, want := asJSON(t, f.Run), asJSON(t, *run); got != want {
		t.Errorf("run:\n got %s\nwant %s", got, want)
	}
	i := 0
	for x, err := range f.Readings() {
		if err != nil {
			t.Fatal(err)
		}
		if got, want := asJSON(t, *x), asJSON(t, all[i]); got != want {
			t.Fatalf("reading %d:\n got %s\nwant %s", i, got, want)
		}
		i++
	}
	if i != len(all) || f.Rows() != int64(len(all)) {
		t.Errorf("%d of %d readings, Rows %d", i, len(all), f.Rows())
	}
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestRoundTripProperty: any reading comes back as it went in.
func TestRoundTripProperty(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		run, all := testRun("p", rapid.IntRange(0, 40).Draw(rt, "n"))
		for i := range all {
			all[i].Value = rapid.Float64().Draw(rt, "value")
			all[i].Raw.Code = rapid.Int64().Draw(rt, "code")
			all[i].WallNS = rapid.Int64().Draw(rt, "wall")
			if all[i].Faults = record.Faults(rapid.Uint32Range(0, 1<<13-1).Draw(rt, "faults")); all[i].Faults != 0 {
				all[i].Value, all[i].Expanded = 0, 0
			}
			all[i].Raw.Faults = all[i].Faults
		}
		n++
		path := filepath.Join(dir, fmt.Sprintf("%d.parquet", n))
		if _, err := WriteFile(path, func(w io.Writer) error { return Write(w, run, iterate(all)) }); err != nil {
			rt.Fatal(err)
		}
		f, err := Open(path)
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		i := 0
		for x, err := range f.Readings() {
			if err != nil {
				rt.Fatal(err)
			}
			w := all[i]
			if x.Value != w.Value || x.Faults != w.Faults || x.Raw.Code != w.Raw.Code || x.WallNS != w.WallNS || x.Channel != w.Channel {
				rt.Fatalf("reading %d: got %+v, want %+v", i, *x, w)
			}
			i++
		}
		if i != len(all) {
			rt.Fatalf("%d of %d readings", i, len(all))
		}
	})
}

// TestDamage flips every 97th byte of a file, one at a time: opening or reading it
// must fail, or give the very readings that were written.
func TestDamage(t *testing.T) {
	run, all := testRun("d", 200)
	dir := t.TempDir()
	path := filepath.Join(dir, "a.parquet")
	if _, err := WriteFile(path, func(w io.Writer) error { return Write(w, run, iterate(all)) }); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	caught := 0
	for at := 0; at < len(whole); at += 97 {
		if n, err := readBytes(t, dir, flip(whole, at)); err != nil {
			caught++
		} else if n != len(all) {
			t.Errorf("byte %d damaged: %d readings of %d and no error", at, n, len(all))
		}
	}
	if caught == 0 {
		t.Error("no damage was noticed")
	}
	for _, cut := range []int{0, 3, 4, 100, len(whole) / 2, len(whole) - 1} {
		if _, err := readBytes(t, dir, whole[:cut]); !errors.Is(err, ErrNotRun) {
			t.Errorf("cut to %d bytes: %v", cut, err)
		}
	}
}

func flip(b []byte, at int) []byte {
	c := bytes.Clone(b)
	c[at] ^= 0x10
	return c
}

func readBytes(t *testing.T, dir string, b []byte) (n int, err error) {
	t.Helper()
	path := filepath.Join(dir, "damaged.parquet")
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if p := recover(); p != nil {
			t.Errorf("reading a damaged file panics: %v", p)
		}
	}()
	f, err := Open(path)
	if err != nil {
		return 0, err
	}
	defer func() { _ = f.Close() }()
	for _, err := range f.Readings() {
		if err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}

func TestFolder(t *testing.T) {
	a := OpenFolder(filepath.Join(t.TempDir(), "deep", "archive"))
	run, all := testRun("2026-05-02-1", 50)
	unlock, err := a.Lock()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Lock(); err == nil || !strings.Contains(err.Error(), "another soak is writing") {
		t.Errorf("a second writer: %v", err)
	}
	for _, want := range []Outcome{Stored, Kept, Kept} {
		if got, err := a.Put(run, iterate(all)); err != nil || got != want {
			t.Fatalf("got %s, %v, want %s", got, err, want)
		}
	}
	if err := unlock(); err != nil {
		t.Fatal(err)
	}
	path := a.Path(run)
	if filepath.Base(path) != "carrier-7_rated_2026-05-02-1.parquet" || filepath.Base(filepath.Dir(path)) != "bench-1" {
		t.Errorf("path %s", path)
	}
	// The sum was lost with a cut: the digest inside vouches, the sum comes back.
	if err := os.Remove(filepath.Join(a.Dir(), sumsName)); err != nil {
		t.Fatal(err)
	}
	if got, err := a.Put(run, iterate(all)); err != nil || got != Kept {
		t.Errorf("without sums: %s, %v", got, err)
	}
	if sums, err := a.sums(); err != nil || len(sums) != 1 {
		t.Errorf("sums %v, %v", sums, err)
	}
	// Another run in its place, a damaged file, and an open run are refused.
	other, _ := testRun("2026-05-02-1", 1)
	other.Record.JournalID = "j2"
	if _, err := a.Put(other, iterate(nil)); err == nil || !strings.Contains(err.Error(), "holds another run") {
		t.Errorf("another journal: %v", err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, flip(b, 2000), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Put(run, iterate(all)); err == nil || !strings.Contains(err.Error(), "it is not replaced") {
		t.Errorf("damaged: %v", err)
	}
	other.Record.State = "open"
	if _, err := a.Put(other, iterate(nil)); err == nil || !strings.Contains(err.Error(), "has not ended") {
		t.Errorf("open run: %v", err)
	}
}

func TestPutThatFailsLeavesNothing(t *testing.T) {
	a := OpenFolder(t.TempDir())
	run, all := testRun("x", 5000)
	broken := errors.New("the rig went away")
	_, err := a.Put(run, func(yield func(*Reading, error) bool) {
		for i := range all[:9000] {
			if !yield(&all[i], nil) {
				return
			}
		}
		yield(nil, broken)
	})
	if !errors.Is(err, broken) {
		t.Fatalf("got %v", err)
	}
	err = filepath.WalkDir(a.Dir(), func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			t.Errorf("%s is left", p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestWriteFileDoesNotOverwrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f")
	write := func(text string) error {
		_, err := WriteFile(path, func(w io.Writer) error { _, err := w.Write([]byte(text)); return err })
		return err
	}
	if err := write("one"); err != nil {
		t.Fatal(err)
	}
	if err := write("two"); !errors.Is(err, fs.ErrExist) {
		t.Errorf("got %v", err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "one" {
		t.Errorf("%q, %v", b, err)
	}
	if err := ReplaceFile(path, func(w io.Writer) error { _, err := w.Write([]byte("three")); return err }); err != nil {
		t.Error(err)
	}
	if b, err := os.ReadFile(path); err != nil || string(b) != "three" {
		t.Errorf("%q, %v", b, err)
	}
}

// TestBreakBetweenRows: a hole in a recording's rows is found, usual spacing is not.
func TestRowGaps(t *testing.T) {
	var g rowGaps
	var holes []float64
	for _, at := range []float64{0, 1, 2, 2, 3, 5, 6, 60, 61, 62.5, 100} {
		if from, ok := g.after(at); ok {
			holes = append(holes, from, at)
		}
	}
	if fmt.Sprint(holes) != "[6 60 62.5 100]" {
		t.Errorf("holes %v", holes)
	}
	if math.Abs(g.period-1) > 0.5 {
		t.Errorf("period %v", g.period)
	}
}
