package speed

import (
	"context"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// quick is a driver whose chips answer at once: what is measured is what soakd adds.
type quick struct {
	n    int
	inTo []drivers.Converter
}

func (d *quick) Converters() []drivers.Converter { return d.inTo }
func (d *quick) Close() error                    { return nil }

// Read gives codes that move as a probe's do: slowly, with noise of some codes.
func (d *quick) Read(_ context.Context, out []drivers.Reading) error {
	d.n++
	for i := range out {
		out[i] = drivers.Reading{
			Has: drivers.HasCode | drivers.HasCold, Age: time.Duration(i) * 100 * time.Microsecond,
			Code: 5000 + int64(100*i) + int64(d.n/50%3000) + int64(mix(uint64(d.n*16+i))%9), Cold: 400 + int64(d.n/5000%50),
		}
	}
	return nil
}

// mix scrambles a number (splitmix64, public domain, from memory).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func quickDriver() *drivers.Driver {
	return &drivers.Driver{Name: "quick", Open: func(_ context.Context, _ *bus.Host, src drivers.Source) (drivers.Device, error) {
		d := &quick{inTo: make([]drivers.Converter, len(src.Inputs))}
		for i := range d.inTo {
			d.inTo[i] = drivers.Converter{Model: "QUICK", Law: drivers.LawEMF, Kind: drivers.Temperature, Unit: "degC", PerCode: 0.4e-6, ColdPerCode: 0.0625}
		}
		return d, nil
	}}
}

// parse makes the configuration of a rig of so many sources with so many channels.
func parse(t testing.TB, sources, channels int, every time.Duration) (*config.Config, []*drivers.Driver) {
	t.Helper()
	var text, named strings.Builder
	fmt.Fprintf(&text, "rig: speed\nsources:\n")
	for s := range sources {
		fmt.Fprintf(&text, "  - {name: s%d, driver: quick, every: %v, inputs: [", s, every)
		for i := range channels {
			fmt.Fprintf(&text, "{channel: c%d-%d, port: SPI%d.%d}, ", s, i, s, i)
			fmt.Fprintf(&named, "  c%d-%d: {couple: K, class: iec-1}\n", s, i)
		}
		text.WriteString("]}\n")
	}
	known := []*drivers.Driver{quickDriver()}
	c, err := config.Parse("speed.yaml", []byte(text.String()+"channels:\n"+named.String()), known)
	if err != nil {
		t.Fatal(err)
	}
	return c, known
}

// eager is a clock on which every deadline has come, until so many have been kept.
type eager struct {
	mu   sync.Mutex
	now  int64
	left int
	once sync.Once
	done chan struct{} // closed when one more than that is asked for
}

func newEager(ticks int) *eager { return &eager{left: ticks, done: make(chan struct{})} }

func (c *eager) Now() record.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return stamp(c.now)
}

func stamp(ns int64) record.Stamp {
	return record.Stamp{Boot: record.BootID{1}, BootNS: ns, WallNS: 1_780_000_000_000_000_000 + ns, Synced: true}
}

// Tick is how acquisition begins; it is no deadline.
func (c *eager) Tick(ctx context.Context, _ int64) (func(), error) { return nothing, ctx.Err() }

func (c *eager) SleepUntil(ctx context.Context, ns int64) error { return c.Retick(ctx, ns) }

func (c *eager) Retick(ctx context.Context, ns int64) error {
	c.mu.Lock()
	if c.left == 0 {
		c.once.Do(func() { close(c.done) })
		c.mu.Unlock()
		<-ctx.Done()
		return ctx.Err()
	}
	c.left--
	c.now = max(c.now, ns)
	c.mu.Unlock()
	return nil
}

func nothing() {}

func (c *eager) Speed() float64 { return 1 }

var _ rigtime.Ticker = (*eager)(nil)

// rig is acquisition, journal and services without the program around them.
type rig struct {
	t     testing.TB
	file  *journal.Journal
	acq   *acquire.Acquirer
	srv   *rpc.Server
	addr  string
	clock rigtime.Ticker
}

type noRuns struct{ rpc.Runs }

func (noRuns) Live() (record.Live, bool) { return record.Live{}, false }
func (noRuns) Changed() <-chan struct{}  { return nil }

// newRig starts a rig; acquisition waits for run.
func newRig(t testing.TB, cfg *config.Config, known []*drivers.Driver, clock rigtime.Ticker, o journal.Options) *rig {
	t.Helper()
	r := &rig{t: t, clock: clock}
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	o.Ballast = -1
	var err error
	if r.file, err = journal.Open(o); err != nil {
		t.Fatal(err)
	}
	if r.acq, err = acquire.New(context.Background(), acquire.Options{Config: cfg, Drivers: known, Clock: clock, Journal: r.file}); err != nil {
		t.Fatal(err)
	}
	r.srv, err = rpc.New(rpc.Options{
		Rig: "speed", Journal: rpc.FromJournal(r.file), Layout: r.acq.Layout, Clock: clock, Runs: noRuns{},
		Convert: func(l *record.Layout) (rpc.Converter, error) { return convert.New(l) },
		Limits:  rpc.Limits{RequestsPerSecond: 1e6},
	})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.addr = l.Addr().String()
	go r.srv.Serve(l)
	return r
}

// acquireAll runs acquisition on an eager clock until its ticks are used up.
func (r *rig) acquireAll() {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- r.acq.Run(ctx) }()
	<-r.clock.(*eager).done
	cancel()
	if err := <-ended; err != nil {
		r.t.Error(err)
	}
}

func (r *rig) close() {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := r.srv.Shutdown(ctx); err != nil {
		r.t.Error(err)
	}
	if err := r.file.Close(); err != nil {
		r.t.Error(err)
	}
}
