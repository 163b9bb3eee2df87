package pulse

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

const opts = "pulses_per_kwh: 1000"

func source(opts string) drivers.Source {
	return drivers.Source{Name: "wall", Every: time.Second, Port: "GPIO17", Options: drivertest.Options(opts), Inputs: []drivers.Input{
		{Channel: "wall", Port: "GPIO17", Options: drivertest.Options("field: power")},
		{Channel: "wall_energy", Port: "GPIO17", Options: drivertest.Options("field: energy")},
	}}
}

// open returns a device on a line, inside a bubble.
func open(t *testing.T, opts string) (*Dev, *drivertest.EdgeLine, *drivertest.Ports) {
	t.Helper()
	p := drivertest.NewPorts()
	l := p.AddEdges("GPIO17")
	d, err := New(t.Context(), bus.NewHost(p), source(opts))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d, l, p
}

// pulses puts pulses of 90 ms on an active-low line, the first at a time, and goes on
// with the line's sequence from seq.
func pulses(l *drivertest.EdgeLine, seq uint32, at ...time.Duration) uint32 {
	for _, t := range at {
		l.Put(bus.Edge{At: t, Seq: seq + 1}, bus.Edge{At: t + 90*time.Millisecond, Rising: true, Seq: seq + 2})
		seq += 2
	}
	return seq
}

func read(t *testing.T, d *Dev) (watts float64, count int64, out [2]drivers.Reading) {
	t.Helper()
	d.Read(t.Context(), out[:])
	if err := drivertest.CheckReadings(out[:]); err != nil {
		t.Error(err)
	}
	return math.Float64frombits(uint64(out[0].Code)), out[1].Code, out
}

// published is one line of testdata/meters/s0-gpio.jsonl; each names its source.
type published struct {
	ID, Response string
	Expect       struct {
		Constant float64 `json:"imp_per_kwh"`
		MaxPower float64 `json:"max_power_w"`
		Pulses   int64
		Power    *float64 `json:"power_w"`
		Bound    *float64 `json:"upper_bound_w"`
		NowMS    int64    `json:"now_ms"`
		Tol      float64
		Flag     string
	}
}

func TestPublishedTrains(t *testing.T) {
	f, err := os.Open("../../../testdata/meters/s0-gpio.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ran := 0
	for s := bufio.NewScanner(f); s.Scan(); ran++ {
		var c published
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		t.Run(c.ID, func(t *testing.T) { synctest.Test(t, func(t *testing.T) { publishedTrain(t, c) }) })
	}
	if ran != 5 {
		t.Errorf("%d cases, want 5", ran)
	}
}

func publishedTrain(t *testing.T, c published) {
	d, l, _ := open(t, opts)
	if c.Expect.MaxPower != 0 {
		d.maxWatts = c.Expect.MaxPower
	}
	bytes, err := hex.DecodeString(c.Response)
	if err != nil || len(bytes)%bus.EdgeSize != 0 {
		t.Fatal(len(bytes), err)
	}
	last := time.Duration(0)
	for ; len(bytes) > 0; bytes = bytes[bus.EdgeSize:] {
		e, err := bus.DecodeEdge(bytes[:bus.EdgeSize])
		if err != nil {
			t.Fatal(err)
		}
		l.Put(e)
		last = e.At
	}
	time.Sleep(last + 20*time.Millisecond) // the bubble's clock
	if c.Expect.NowMS != 0 {
		time.Sleep(time.Duration(c.Expect.NowMS)*time.Millisecond - l.Now())
	}
	watts, count, out := read(t, d)
	if count != c.Expect.Pulses {
		t.Errorf("%d pulses, want %d", count, c.Expect.Pulses)
	}
	want := c.Expect.Power
	if want == nil {
		want = c.Expect.Bound
	}
	if want == nil {
		if out[0].Faults != drivers.Stale || out[0].Has != 0 {
			t.Errorf("%+v, want no power", out[0])
		}
		return
	}
	if math.Abs(watts-*want) > c.Expect.Tol {
		t.Errorf("%v W, want %v", watts, *want)
	}
	if bad := c.Expect.Flag == "out_of_range"; bad != (out[0].Faults == drivers.OutOfRange) {
		t.Errorf("%v (%v)", out[0].Faults, out[0].Cause)
	}
}

func TestPowerFallsAndGetsStaleButIsNeverZero(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, l, _ := open(t, opts)
		pulses(l, 0, 10*time.Second, 28*time.Second)
		time.Sleep(29 * time.Second)
		last := math.Inf(1)
		stale := false
		for range 400 {
			watts, count, out := read(t, d)
			switch {
			case count != 2 || out[1].Faults != 0:
				t.Fatalf("energy %d, %v", count, out[1].Faults)
			case out[0].Faults == drivers.Stale:
				stale = true
			case out[0].Faults != 0 || stale || watts <= 0 || watts > last:
				t.Fatalf("%v W after %v W, %v", watts, last, out[0].Cause)
			default:
				last = watts
			}
			time.Sleep(time.Second)
		}
		if !stale || last > 3.6e3/300*1.01 {
			t.Errorf("stale %v, last power %v W", stale, last)
		}
	})
}

func TestLostEdgesVoidTheInterval(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, l, p := open(t, opts+"\nbias: pull-up")
		if o := l.Options(); o.Bias != "pull-up" || o.Debounce != 10*time.Millisecond {
			t.Errorf("claimed with %+v", o)
		}
		seq := pulses(l, 0, 10*time.Second, 20*time.Second)
		pulses(l, seq+6, 60*time.Second)
		time.Sleep(61 * time.Second)
		_, count, out := read(t, d)
		if count != 3 || out[0].Faults&drivers.Corrupt == 0 || out[1].Faults != drivers.Corrupt {
			t.Errorf("%d, %v, %v", count, out[0].Faults, out[1].Faults)
		}
		if _, _, out = read(t, d); out[0].Faults != drivers.Stale || out[1].Faults != 0 {
			t.Errorf("after the gap: %v, %v", out[0].Faults, out[1].Faults)
		}
		pulses(l, seq+8, 70*time.Second)
		time.Sleep(10 * time.Second)
		if watts, _, out := read(t, d); out[0].Faults != 0 || math.Abs(watts-360) > 1e-9 {
			t.Errorf("%v W, %v", watts, out[0].Cause)
		}
		p.Fail(os.ErrInvalid)
		if _, _, out = read(t, d); out[0].Faults != drivers.BusError || out[1].Faults != drivers.BusError {
			t.Errorf("a dead chip: %v, %v", out[0].Faults, out[1].Faults)
		}
	})
}

func TestBothEdgesAndActiveHigh(t *testing.T) {
	tr := train{debounce: 10 * time.Millisecond, activeHi: true, both: true}
	for i := range 6 {
		tr.add(bus.Edge{At: time.Duration(i+1) * time.Second, Rising: i%2 == 0, Seq: uint32(i + 1)})
	}
	tr.settle(time.Minute)
	if tr.count != 6 || tr.interval != time.Second {
		t.Errorf("%d pulses, %v apart", tr.count, tr.interval)
	}
}

// TestBounceNeverCounts puts random glitches shorter than the debounce time around
// real pulses.
func TestBounceNeverCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tr := train{debounce: 10 * time.Millisecond}
		at, seq, level := time.Second, uint32(0), true // idle high
		edge := func(rising bool) {
			if rising != level {
				seq++
				tr.add(bus.Edge{At: at, Rising: rising, Seq: seq})
				level = rising
			}
		}
		n := rapid.IntRange(1, 20).Draw(t, "pulses")
		for range n {
			for _, settled := range []bool{false, true} { // on, then off
				for range rapid.IntRange(0, 4).Draw(t, "bounces") {
					edge(settled)
					at += time.Duration(rapid.IntRange(1, 4999).Draw(t, "us")) * time.Microsecond
					edge(!settled)
					at += time.Duration(rapid.IntRange(1, 4999).Draw(t, "us")) * time.Microsecond
				}
				edge(settled)
				at += time.Duration(rapid.IntRange(30, 5000).Draw(t, "hold")) * time.Millisecond
			}
		}
		tr.settle(at)
		if tr.count != int64(n) {
			t.Fatalf("%d pulses, want %d", tr.count, n)
		}
	})
}

func TestBadOptions(t *testing.T) {
	p := drivertest.NewPorts()
	p.AddEdges("GPIO17")
	for _, c := range []struct{ opts, key, text string }{
		{"", "pulses_per_kwh", "printed on the meter"},
		{opts + "\nactive: on", "active", "low or high"},
		{opts + "\nbias: up", "bias", "pull-up"},
		{opts + "\ndebounce: 40ms", "debounce", "10ms"},
		{opts + "\nmax_power: -1", "max_power", "above 0"},
		{opts + "\nstale_after: 0s", "stale_after", "5m"},
	} {
		_, err := New(t.Context(), bus.NewHost(p), source(c.opts))
		var bad *drivers.OptionError
		if !errors.As(err, &bad) || bad.Input != -1 || bad.Key != c.key || !strings.Contains(bad.Text, c.text) {
			t.Errorf("%q: %v", c.opts, err)
		}
	}
	for _, change := range []func(*drivers.Source){
		func(s *drivers.Source) { s.Inputs[1].Options = drivertest.Options("field: volts") },
		func(s *drivers.Source) { s.Inputs[0].Kind = drivers.Energy },
		func(s *drivers.Source) { s.Inputs[1].Port = "GPIO18" },
		func(s *drivers.Source) { s.Port, s.Inputs[0].Port, s.Inputs[1].Port = "", "", "" },
		func(s *drivers.Source) { s.Port, s.Inputs[0].Port, s.Inputs[1].Port = "GPIO9", "GPIO9", "GPIO9" },
	} {
		src := source(opts)
		change(&src)
		if d, err := New(t.Context(), bus.NewHost(p), src); err == nil {
			t.Errorf("accepted: %+v", d)
		}
	}
}

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		p := drivertest.NewPorts()
		l := p.AddEdges("GPIO17")
		for seq, at := uint32(0), time.Duration(0); at < time.Hour; at += 2 * time.Second {
			seq = pulses(l, seq, at+time.Millisecond)
		}
		return &drivertest.Rig{
			Ports: p, Source: source(opts), Settle: 8,
			NoBus: "the kernel's store of edges is read without waiting; a dead chip is in TestLostEdges",
		}
	})
}

// TestTotalGoesOn: what was stored before is where the count goes on from; power needs
// two pulses of its own.
func TestTotalGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, l, _ := open(t, opts)
		d.Resume(0, 77) // power is not a count
		d.Resume(1, 1200)
		if !d.Converters()[1].CountedHere || d.Converters()[0].CountedHere {
			t.Error("the energy is counted here, the power is not")
		}
		if _, count, out := read(t, d); count != 1200 || out[1].Faults != 0 || out[0].Faults != drivers.Stale {
			t.Errorf("before the first pulse: %d (%v), power %v", count, out[1].Cause, out[0].Faults)
		}
		pulses(l, 0, 1*time.Second, 10*time.Second)
		time.Sleep(11 * time.Second) // the bubble's clock
		if watts, count, _ := read(t, d); count != 1202 || math.Abs(watts-400) > 1e-6 {
			t.Errorf("%d pulses, %v W, want 1202 and 400", count, watts)
		}
	})
}

// TestSpikesAreNotEnergy: a pulse that follows too fast is a fault once, is not in the
// total, and does not move the next interval; a power that can't be stays a fault until
// the next pulse, however long that takes.
func TestSpikesAreNotEnergy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, l, _ := open(t, opts+"\nmax_power: 3000")
		put := func(seq uint32, at, width time.Duration) {
			l.Put(bus.Edge{At: at, Seq: seq}, bus.Edge{At: at + width, Rising: true, Seq: seq + 1})
		}
		const ms = time.Millisecond
		put(1, 10*time.Second, 15*ms)
		put(3, 10*time.Second+40*ms, 50*ms) // the contact bounced for longer than the debounce time
		time.Sleep(11 * time.Second)        // the bubble's clock
		_, count, out := read(t, d)
		if out[1].Faults != drivers.OutOfRange || out[0].Faults != drivers.OutOfRange || count != 2 {
			t.Errorf("two pulses 40 ms apart: %d (%v), %v", count, out[1].Faults, out[0].Faults)
		}
		if _, count, out = read(t, d); count != 1 || out[1].Faults != 0 || out[0].Faults != drivers.OutOfRange {
			t.Errorf("after it: %d (%v), %v", count, out[1].Faults, out[0].Faults)
		}
		put(5, 20*time.Second, 90*ms)
		time.Sleep(10 * time.Second)
		if watts, count, out := read(t, d); count != 2 || out[0].Faults != 0 || math.Abs(watts-360) > 1e-6 {
			t.Errorf("the next pulse: %d, %v W (%v), want 2 and 360 W", count, watts, out[0].Cause)
		}
		put(7, 20*time.Second+500*ms, 90*ms) // 7.2 kW
		time.Sleep(time.Second)
		for range 30 {
			if _, count, out := read(t, d); count != 3 || out[0].Faults != drivers.OutOfRange || out[1].Faults != 0 {
				t.Fatalf("7.2 kW on a meter of 3 kW: %d, %v, %v", count, out[0].Faults, out[1].Faults)
			}
			time.Sleep(time.Second)
		}
	})
}
