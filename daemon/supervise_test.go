package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/client"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/all"
	"soakrig/drivers/bus"
)

// stuck is a device whose read never returns once hang says so, whatever its context
// says: a driver inside a system call that the kernel does not end.
type stuck struct {
	hang    *atomic.Bool
	release chan struct{}
}

func (d *stuck) Converters() []drivers.Converter {
	return []drivers.Converter{{Model: "STUCK", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC", PerCode: 1e-6, ColdPerCode: 0.0625}}
}
func (d *stuck) Close() error { return nil }

func (d *stuck) Read(_ context.Context, out []drivers.Reading) error {
	if d.hang.Load() {
		<-d.release
	}
	out[0] = drivers.Reading{Has: drivers.HasCode | drivers.HasCold, Code: 1000, Cold: 400}
	return nil
}

type forgetting struct{}

func (forgetting) Append(record.Stamp, record.Body) (uint64, error) { return 1, nil }

// D2: a watchdog that a goroutine of its own feeds stays green while acquisition hangs.
func TestWatchdogStarvesWhenAcquisitionHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var hang atomic.Bool
		release := make(chan struct{})
		driver := &drivers.Driver{Name: "stuck", Open: func(context.Context, *bus.Host, drivers.Source) (drivers.Device, error) {
			return &stuck{&hang, release}, nil
		}}
		cfg, err := ParseConfig("t.yaml", []byte("rig: t\nsources:\n  - {name: s, driver: stuck, every: 1s, inputs: [{channel: a, port: SPI0.0}]}\nchannels: {a: {couple: K}}\n"), []*drivers.Driver{driver})
		if err != nil {
			t.Fatal(err)
		}
		clock := rigtime.NewElapsed(record.BootID{1})
		acq, err := acquire.New(t.Context(), acquire.Options{Config: cfg, Drivers: []*drivers.Driver{driver}, Clock: clock, Journal: forgetting{}})
		if err != nil {
			t.Fatal(err)
		}
		var fed atomic.Int64
		d := &Daemon{board: &board{clock: clock}, opts: Options{Watchdog: 5 * time.Second, Notify: func(state string) {
			if state == "WATCHDOG=1" {
				fed.Add(1)
			}
		}}}
		d.ctx, d.stop = context.WithCancelCause(t.Context())
		d.acq.Store(&acquiring{Acquirer: acq})
		ran := make(chan error, 1)
		go func() { ran <- acq.Run(d.ctx) }()
		go d.feedWatchdog()
		during := func(length time.Duration) int64 {
			before := fed.Load()
			time.Sleep(length)
			synctest.Wait()
			return fed.Load() - before
		}
		if n := during(60*time.Second + time.Millisecond); n != 12 {
			t.Errorf("fed %d times in a minute of scans, want 12", n)
		}
		hang.Store(true)
		during(30 * time.Second) // the watchdog is patient for a while
		if n := during(time.Hour); n != 0 {
			t.Errorf("fed %d times while acquisition hangs", n)
		}
		hang.Store(false)
		close(release)
		if n := during(60 * time.Second); n < 11 {
			t.Errorf("fed %d times in a minute after acquisition went on", n)
		}
		d.stop(errStopped)
		if err := <-ran; err != nil {
			t.Error(err)
		}
	})
}

// tornJournal makes the folder that a killed soakd leaves: n entries, of which the last
// commit is cut short in the middle of a page and followed by what the disk held before.
func tornJournal(t *testing.T, n int) (dir string) {
	t.Helper()
	live, dir := t.TempDir(), t.TempDir()
	j, err := journal.Open(journal.Options{Dir: live, Sync: 20 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	put := func(at record.Stamp, b record.Body) uint64 {
		seq, err := j.Append(at, b)
		if err != nil {
			t.Fatal(err)
		}
		return seq
	}
	at := record.Stamp{Boot: record.BootID{9}, BootNS: 1, WallNS: 1_780_000_000_000_000_000}
	layout := &record.Layout{ID: 1, Rig: "t", Sources: []record.Source{{Name: "back", Driver: "max31855", EveryNS: 1e8, Channels: []int{0}}},
		Channels: []record.Channel{{Name: "vr1", Kind: "temperature", Unit: "degC", Role: "probe", Couple: "K"}}}
	last := put(at, layout)
	for i := range n {
		at.BootNS += 1e8
		at.WallNS += 1e8
		last = put(at, &record.Sample{Layout: 1, Raw: []record.Raw{{Has: record.HasCode, Code: int64(i)}}})
		if i%5000 == 4999 {
			if err := j.WaitDurable(t.Context(), last); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := j.WaitDurable(t.Context(), last); err != nil {
		t.Fatal(err)
	}
	names, err := filepath.Glob(filepath.Join(live, "*"))
	if err != nil {
		t.Fatal(err)
	}
	torn := false
	for _, name := range names {
		p, err := os.ReadFile(name)
		if err != nil || strings.HasSuffix(name, "-shm") || filepath.Base(name) == "lock" {
			continue
		}
		if strings.HasSuffix(name, "-wal") && strings.Contains(name, "samples") && len(p) > 5000 {
			torn = true
			p = append(p[:len(p)-1777], make([]byte, 999)...)
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), p, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	if !torn {
		t.Fatalf("no log to tear in %v", names)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// D1: a long recovery before READY made the supervisor kill the daemon, which began the
// same recovery again. READY must come before what is torn was looked through, with
// acquisition running and the numbers going on behind all that may have been given.
func TestReadyOnATornJournal(t *testing.T) {
	const n = 100_000
	text := fmt.Sprintf("rig: t\nlisten: {grpc: 127.0.0.1:0, http: \"off\"}\njournal: {dir: %q, sync: 50ms}\nsimulated: {speed: 50}\n"+
		"sources:\n  - {name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}\n", tornJournal(t, n))
	cfg, err := ParseConfig("t.yaml", []byte(text), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	told := make(chan string, 1000)
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers(), Watchdog: 10 * time.Millisecond, Notify: func(state string) {
		select {
		case told <- state:
		default:
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	for ready, fed := false, false; !ready || !fed; {
		select {
		case state := <-told:
			ready, fed = ready || strings.HasPrefix(state, "READY=1"), fed || state == "WATCHDOG=1"
		case <-time.After(time.Minute):
			t.Fatalf("READY told: %t, watchdog fed: %t", ready, fed)
		}
	}
	st := d.journal.State()
	if st.Head <= n+1 {
		t.Errorf("numbers go on at %d, but %d were given", st.Head, n+1)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	r := d.journal.NewReader(n / 2)
	defer r.Close()
	var found, missing uint64
	for r.Seq() <= st.Head {
		_, err := r.Next(ctx)
		var gap *journal.GapError
		switch {
		case errors.As(err, &gap):
			missing += gap.Gap.To - gap.Gap.From + 1
		case err != nil:
			t.Fatal(err)
		default:
			found++
		}
	}
	if found < n/3 || missing == 0 {
		t.Errorf("%d entries and %d missing from %d to %d", found, missing, n/2, st.Head)
	}
}

// D3: a reload that fails in the middle of the file left half of it in force. Each line
// of a changed file is broken in turn; nothing of it may be taken, and scans go on.
func TestReloadTakesAllOrNothing(t *testing.T) {
	file := filepath.Join(t.TempDir(), "rig.yaml")
	const before = `rig: t
listen: {grpc: "127.0.0.1:0", http: "off"}
journal: {dir: %q}
simulated: {speed: 50}
sources:
  - name: back
    driver: max31855
    every: 500ms
    inputs: [{channel: vr1, port: SPI0.0}, {channel: vr2, port: SPI0.1}]
channels: {vr1: {place: stage 1}}
limits: {probe: 105}
plan: {baseline: 1m, load: 20m, cooldown: 1m}
`
	old := fmt.Sprintf(before, t.TempDir())
	changed := strings.NewReplacer("500ms", "200ms", "stage 1", "stage 9", "105", "85", "vr2", "vr7", "20m", "30m").Replace(old)
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(old)
	cfg, err := LoadConfig(file, all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	layout := d.layout()
	lines := strings.SplitAfter(changed, "\n")
	for i := range lines[:len(lines)-1] {
		broken := strings.Join(lines[:i], "") + "  ]: {" + strings.Join(lines[i:], "")
		write(broken)
		if err := d.Reload(); err == nil || !strings.Contains(err.Error(), "the old configuration stays in force") || !strings.Contains(err.Error(), file) {
			t.Errorf("line %d broken: %v", i+1, err)
		}
		if d.layout() != layout || d.config.Load() != cfg {
			t.Fatalf("line %d broken: something of it was taken", i+1)
		}
	}
	for stop, scans := time.Now().Add(time.Minute), d.acq.Load().Scans(); d.acq.Load().Scans() < scans+2; {
		if time.Now().After(stop) {
			t.Fatal("scans do not go on")
		}
	}
	write(changed)
	if err := d.Reload(); err != nil {
		t.Fatal(err)
	}
	if l := d.layout(); l.ID == layout.ID || l.Sources[0].EveryNS != 2e8 || l.Channels[1].Name != "vr7" || l.Channels[0].Place != "stage 9" {
		t.Errorf("the whole file was not taken: %+v", l)
	}
	c, err := client.Dial(t.Context(), d.GRPCAddr(), client.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	now, err := c.Describe(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if p := now.DefaultPlan; len(p.Limits) != 1 || p.Limits[0].Bound != 85 || !slices.ContainsFunc(p.Phases, func(p record.PhasePlan) bool { return p.LengthS == 1800 }) {
		t.Errorf("clients are told the plan of before: %+v", p)
	}
}
