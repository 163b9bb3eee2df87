package speed

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"soakrig/client/command"
	"soakrig/daemon"
	"soakrig/daemon/analysis"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/internal/runs"
	"soakrig/daemon/record"
)

// night is a run of so many scans at 10 Hz in a journal: probes that warm up and, of
// more than two channels, the last two: the room and wall power.
type night struct {
	t      testing.TB
	j      *journal.Journal
	m      *runs.Manager
	layout *record.Layout
	row    journal.RunRow
}

func nightLayout(channels int) *record.Layout {
	l := &record.Layout{ID: 1, Rig: "speed", Sources: []record.Source{{Name: "all", Driver: "quick", EveryNS: 1e8}}}
	emf := record.Converter{Model: "QUICK", Law: record.LawEMF, PerCode: 0.4e-6, ColdPerCode: 0.0625}
	for i := range channels {
		ch := record.Channel{Name: fmt.Sprint("vr", i), Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Class: "iec-1", Converter: emf}
		switch {
		case channels > 2 && i == channels-2:
			ch.Name, ch.Role = "room", record.RoleAmbient
		case channels > 2 && i == channels-1:
			ch = record.Channel{Name: "wall", Kind: record.Power, Unit: "W", Role: record.RoleSupply, Converter: record.Converter{Model: "QUICK", Law: record.LawLinear, PerCode: 0.1}}
		}
		l.Channels = append(l.Channels, ch)
		l.Sources[0].Channels = append(l.Sources[0].Channels, i)
	}
	return l
}

// newNight records it; the load begins after five minutes and ends five before the end.
func newNight(t testing.TB, dir string, scans, channels int) *night {
	n := &night{t: t, layout: nightLayout(channels)}
	var err error
	if n.j, err = journal.Open(journal.Options{Dir: dir, Sync: 50 * time.Millisecond, Ballast: -1}); err != nil {
		t.Fatal(err)
	}
	append := func(at record.Stamp, b record.Body) uint64 {
		seq, err := n.j.Append(at, b)
		if err != nil {
			t.Fatal(err)
		}
		return seq
	}
	if err := n.j.PutLayout(n.layout); err != nil {
		t.Fatal(err)
	}
	n.row.Start = record.RunStart{Run: "2026-05-02-1", Unit: "carrier", Setup: record.Setup{Name: "rated"},
		Plan: analysis.DefaultPlan(float64(scans)/10-600, []record.Limit{{Name: "probe", Role: record.RoleProbe, Quantity: "value", Bound: 105, Severity: "fail"}})}
	n.row.State, n.row.StartedAt = "ended", stamp(0)
	n.row.FirstSeq = append(stamp(0), n.layout)
	s := &record.Sample{Layout: 1, Raw: make([]record.Raw, channels)}
	for k := range scans {
		on := k >= 3000 && k < scans-3000
		warm := int64(0)
		if k >= 3000 {
			warm = min(int64(k-3000)*6000/(int64(k-3000)+9000), 6000) // towards 60 K in codes
		}
		for i := range s.Raw {
			noise := int64(mix(uint64(k*16+i)) % 9)
			s.Raw[i] = record.Raw{Has: record.HasCode | record.HasCold, Code: noise, Cold: 368, AgeUS: int32(100 * i)}
			switch {
			case channels < 3 || i < channels-2:
				s.Raw[i].Code += warm + int64(20*i)
			case i == channels-1:
				s.Raw[i].Has, s.Raw[i].Cold, s.Raw[i].Code = record.HasCode, 0, 400+noise
				if on {
					s.Raw[i].Code = 2200 + noise
				}
			}
		}
		n.row.LastSeq = append(stamp(int64(k)*1e8), s)
	}
	n.row.EndedAt = stamp(int64(scans) * 1e8)
	if err := n.j.WaitDurable(context.Background(), n.row.LastSeq); err != nil {
		t.Fatal(err)
	}
	if err := n.j.PutRun(n.row); err != nil {
		t.Fatal(err)
	}
	n.m, err = runs.New(runs.Options{Rig: "speed", Journal: n.j, Clock: rigtime.NewElapsed(record.BootID{1}), Layout: func() *record.Layout { return n.layout }, Plan: n.row.Start.Plan})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func (n *night) evaluate() record.Result {
	r, err := n.m.Evaluate(context.Background(), n.row.Start.Run, nil, nil)
	if err != nil {
		n.t.Fatal(err)
	}
	return r
}

// values are the run's values as a float64 each, which no method needs less than.
func (n *night) values() []float64 {
	return make([]float64, (n.row.LastSeq-n.row.FirstSeq)*uint64(len(n.layout.Channels)))
}

// onePass adds up the floats and finds their largest.
func onePass(v []float64) {
	sum, most := 0.0, v[0]
	for _, x := range v {
		sum += x
		most = max(most, x)
	}
	sink = sum + most
}

// benchNight judges eight hours of ten channels at 10 Hz again from the journal: disk,
// decoding, conversion and analysis.
func benchNight(b *testing.B) {
	const hours = 8
	n := newNight(b, b.TempDir(), hours*36000, 10)
	defer n.j.Close()
	if r := n.evaluate(); r.Load == nil || r.Peak == nil {
		b.Fatalf("the night was not judged: %s %v", r.Verdict, r.Reasons)
	}
	floats := n.values()
	p, allocs := newPair(), 0.0
	for b.Loop() {
		p.round(func() { allocs = mallocs(func() { n.evaluate() }) }, func() { onePass(floats) })
	}
	put(b, row{what: "full re-evaluation from the journal, 8 h x 10 Hz x 10", unit: "ms", ours: p.ours * 1e3, limit: p.limit * 1e3,
		of: "one pass over the same floats", allocs: allocs / float64(len(floats)), budget: "< 1 s", met: p.ours < 1})
}

// benchCompare compares a thousand runs that soak collect has archived.
func benchCompare(b *testing.B) {
	const count = 1000
	dir := b.TempDir()
	n := newNight(b, dir, 12_000, 10)
	result := n.evaluate()
	for i := range count {
		row, r := n.row, result
		row.Start.Run = fmt.Sprintf("2026-05-%02d-%d", 1+i/50, 1+i%50)
		row.Start.Unit = fmt.Sprint("carrier-", i%100)
		row.LastSeq = row.FirstSeq + 20
		r.Run, r.Unit = row.Start.Run, row.Start.Unit
		row.Result = &r
		if err := n.j.PutRun(row); err != nil {
			b.Fatal(err)
		}
	}
	if err := n.j.Close(); err != nil {
		b.Fatal(err)
	}
	archive := collect(b, dir)
	p, allocs := newPair(), 0.0
	files, err := filepath.Glob(filepath.Join(archive, "*", "*"))
	if err != nil || len(files) < count {
		files, _ = filepath.Glob(filepath.Join(archive, "*"))
	}
	for b.Loop() {
		p.round(func() {
			allocs = mallocs(func() {
				var out, diag bytes.Buffer
				if code := command.Run(context.Background(), []string{"compare", archive, "--override"}, &out, &diag); code != 0 && code != 3 && code != 5 {
					b.Fatalf("compare ended with %d: %s", code, diag.String())
				}
			})
		}, func() {
			for _, f := range files {
				if _, err := os.ReadFile(f); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	put(b, row{what: fmt.Sprintf("compare of %d archived runs", count), unit: "ms", ours: p.ours * 1e3, limit: p.limit * 1e3,
		of: fmt.Sprintf("reading the %d files", len(files)), allocs: allocs, budget: "< 1 s", met: p.ours < 1})
}

// collect serves a journal with a daemon and collects its runs as a lab does.
func collect(b *testing.B, dir string) (archive string) {
	_, known := parse(b, 1, 1, time.Second)
	text := fmt.Sprintf("rig: speed\nlisten: {grpc: 127.0.0.1:0, http: \"off\"}\njournal: {dir: %q}\nsources:\n  - {name: s, driver: quick, every: 1s, inputs: [{channel: a, port: SPI0.0}]}\nchannels: {a: {couple: K}}\n", dir)
	cfg, err := daemon.ParseConfig("t.yaml", []byte(text), known)
	if err != nil {
		b.Fatal(err)
	}
	d, err := daemon.Start(daemon.Options{Config: cfg, Drivers: known, Version: "speed"})
	if err != nil {
		b.Fatal(err)
	}
	defer d.Stop()
	archive = filepath.Join(b.TempDir(), "archive")
	var diag bytes.Buffer
	if code := command.Run(b.Context(), []string{"--rig", "speed=" + d.GRPCAddr(), "collect", archive}, io.Discard, &diag); code != 0 {
		b.Fatalf("collect ended with %d: %s", code, tail(diag.String(), 2000))
	}
	return archive
}

func tail(s string, n int) string { return s[max(0, len(s)-n):] }
