package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

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
