package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"soakrig/daemon/analysis"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/interlock"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/metrics"
	"soakrig/daemon/internal/remotewrite"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/internal/runs"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/push"
	"soakrig/drivers/simrig"
)

// Options are what a daemon runs with.
type Options struct {
	Config  *Config           // required
	Drivers []*drivers.Driver // required: those that Config was checked against
	Version string            // of the build
	Log     *slog.Logger      // nil: nothing is logged
	// Notify tells a supervisor: "READY=1" once acquisition runs, "STOPPING=1" when
	// stopping, "WATCHDOG=1" while scans advance. nil: nobody to tell.
	Notify func(state string)
	// Watchdog is how often WATCHDOG=1 is due; zero: never.
	Watchdog time.Duration
	// Held has a simulated rig's time stand still at its start until Daemon.Hold lets it
	// pass; on hardware it is refused.
	Held bool
}

// Daemon is a running soakd.
type Daemon struct {
	opts  Options
	board *board
	log   *slog.Logger

	journal   *journal.Journal
	runs      *runs.Manager
	metrics   *metrics.Metrics
	interlock *interlock.Interlock // nil: none is configured
	senders   []*remotewrite.Sender
	rpc       *rpc.Server
	http      *http.Server
	grpcLis   net.Listener
	httpLis   net.Listener

	mu     sync.Mutex    // guards config and reload; held during a reload
	config *Config       // in force
	reload reloadOutcome // of the newest reload
	acq    atomic.Pointer[acquiring]
	feed   push.Feed // what gRPC pushes and the driver push reads

	stop    context.CancelCauseFunc // ends the daemon; the cause is its error
	ctx     context.Context
	done    chan struct{} // closed when everything has stopped
	err     error         // valid after done
	serving atomic.Bool
}

// acquiring is one acquirer and what stops it.
type acquiring struct {
	*acquire.Acquirer
	cancel context.CancelFunc
	done   chan struct{}
	err    error // valid after done
}

// reloadOutcome is what the newest reload came to.
type reloadOutcome struct {
	ok bool
	at time.Time
}

// stopWithin bounds the stop of the services; the journal is closed after it.
const stopWithin = 5 * time.Second

// Run runs a daemon until ctx ends or it can't go on.
func Run(ctx context.Context, opts Options) error {
	d, err := Start(opts)
	if err != nil {
		return err
	}
	select {
	case <-ctx.Done():
		return d.Stop()
	case <-d.Done():
		return d.Stop()
	}
}

// Start starts a daemon. What it has started is stopped again when it fails.
func Start(opts Options) (*Daemon, error) {
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Notify == nil {
		opts.Notify = func(string) {}
	}
	d := &Daemon{opts: opts, log: opts.Log, config: opts.Config, done: make(chan struct{}), reload: reloadOutcome{ok: true, at: time.Now()}}
	d.ctx, d.stop = context.WithCancelCause(context.Background())
	if err := d.start(); err != nil {
		d.stop(err)
		if d.rpc != nil {
			d.stopServices()
		}
		return nil, errors.Join(err, d.shutdown())
	}
	go d.supervise()
	return d, nil
}

// start starts the rooms in the order in which a sample passes them.
func (d *Daemon) start() (err error) {
	opts := d.opts
	if d.board, err = openBoard(opts.Config, opts.Held); err != nil {
		return err
	}
	if opts.Config.Simulated == nil {
		ports := d.board.host.Names()
		d.look(ports, diagnose(opts.Config, ports))
	}
	jc := opts.Config.Journal
	if d.journal, err = journal.Open(journal.Options{
		Dir: jc.Dir, Sync: jc.Sync, Keep: jc.Keep, MaxBytes: int64(jc.MaxSize), Log: opts.Log,
	}); err != nil {
		return fmt.Errorf("open the journal in %s: %w", jc.Dir, err)
	}
	if err = d.startAcquiring(opts.Config); err != nil {
		return err
	}
	if err = d.startRuns(); err != nil {
		return err
	}
	if err = d.startReaders(); err != nil {
		return err
	}
	if err = d.startServices(); err != nil {
		return err
	}
	return nil
}

// startAcquiring opens the sources of c and begins to read them.
func (d *Daemon) startAcquiring(c *Config) error {
	cals, err := d.journal.Calibrations()
	if err != nil {
		return fmt.Errorf("read calibrations: %w", err)
	}
	outside := d.outside()
	a, err := acquire.New(outside, acquire.Options{
		Config: c, Drivers: d.opts.Drivers, Host: d.board.host, Clock: d.board.clock,
		Journal: storing{d.journal}, Calibrations: cals, Before: d.newest(), Log: d.log,
	})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(outside)
	run := &acquiring{Acquirer: a, cancel: cancel, done: make(chan struct{})}
	d.acq.Store(run)
	if h := d.board.hold; h != nil && h.scanned == nil {
		h.scanned = a.Scanned()
	}
	go func() {
		defer close(run.done)
		if run.err = a.Run(ctx); run.err != nil {
			d.stop(fmt.Errorf("acquisition: %w", run.err))
		}
	}()
	return nil
}

// newest is the stamp of the newest entry, of before a restart or a reload; zero: none.
func (d *Daemon) newest() record.Stamp {
	if was := d.acq.Load(); was != nil {
		return was.Newest()
	}
	at, err := d.journal.Newest(d.ctx)
	if err != nil {
		d.log.Warn("a step of the clock since the last stop would not be seen", "error", err)
	}
	return at
}

func (d *Daemon) startRuns() (err error) {
	d.runs, err = runs.New(runs.Options{
		Rig: d.config.Rig, Journal: d.journal, Clock: d.board.clock, Layout: d.layout,
		Plan: planOf(d.config), Log: d.log,
		Calibrate: func(at record.Stamp, c record.Calibration) error {
			if err := d.journal.PutCalibration(c); err != nil {
				return err
			}
			return d.acq.Load().Calibrate(at, c)
		},
		StopRequest: d.stopRequested,
	})
	return err
}

// startReaders makes what else reads the journal: metrics and the interlock.
func (d *Daemon) startReaders() (err error) {
	if err := d.openSenders(); err != nil {
		return err
	}
	d.metrics, err = metrics.New(metrics.Options{
		Rig: d.config.Rig, Version: d.opts.Version, Simulated: d.config.Simulated != nil,
		Journal: d.journal, Clock: d.board.clock, Layout: d.layout, Sources: d.sourceRows,
		Live: d.runs.Live, Subscribers: d.streamRows, Reload: d.reloadState, Limits: d.limits,
		Serving: d.serving.Load, Log: d.log,
		Collectors: []prometheus.Collector{remotewrite.NewCollector(d.senders...)},
	})
	if err != nil {
		return err
	}
	c := d.config.Interlock
	if c == nil {
		return nil
	}
	pin, err := d.board.host.Pin(c.Pin)
	if err != nil {
		return fmt.Errorf("interlock: %w", err)
	}
	rows, err := d.journal.Runs(journal.RunFilter{Limit: 1})
	if err != nil {
		return fmt.Errorf("interlock: find the newest run: %w", err)
	}
	since := uint64(0)
	if len(rows) > 0 {
		since = rows[0].FirstSeq
	}
	d.interlock, err = interlock.New(interlock.Options{
		Since: since, Pin: pin, DropAbove: c.DropAbove, LostProbe: c.LostProbe, Heartbeat: c.Heartbeat,
		Now: d.board.clock.Now, Layout: d.layout, Log: d.log,
	})
	return err
}

func (d *Daemon) layout() *record.Layout { return d.acq.Load().Layout() }

// supervise runs what tails the journal, says when the daemon serves, feeds the
// watchdog, and stops everything in reverse when the daemon ends.
func (d *Daemon) supervise() {
	var readers sync.WaitGroup
	readers.Go(func() {
		if err := d.runs.Run(d.ctx); err != nil {
			d.stop(fmt.Errorf("runs: %w", err))
		}
	})
	readers.Go(func() {
		if err := d.metrics.Run(d.ctx); err != nil {
			d.stop(fmt.Errorf("metrics: %w", err))
		}
	})
	for _, s := range d.senders {
		readers.Go(func() {
			if err := s.Run(d.ctx); err != nil {
				d.stop(fmt.Errorf("remote write: %w", err))
			}
		})
	}
	if d.interlock != nil {
		readers.Go(func() {
			if err := d.interlock.Run(d.ctx, d.journal); err != nil {
				d.stop(fmt.Errorf("interlock: %w", err))
			}
		})
	}
	readers.Go(d.announce)
	readers.Go(d.watchSources)
	readers.Go(d.feedWatchdog)
	<-d.ctx.Done()
	d.opts.Notify("STOPPING=1")
	d.stopServices()
	readers.Wait()
	err := context.Cause(d.ctx)
	if errors.Is(err, errStopped) {
		err = nil
	}
	d.err = errors.Join(err, d.shutdown())
	close(d.done)
}

// announce tells supervisor and health service once every source has been read.
func (d *Daemon) announce() {
	d.opts.Notify("READY=1\nSTATUS=acquiring; waiting for the first complete scan")
	select {
	case <-d.acq.Load().Scanned():
	case <-d.ctx.Done():
		return
	}
	d.serving.Store(true)
	d.rpc.SetServing(true)
	d.opts.Notify(fmt.Sprintf("STATUS=%d sources, gRPC on %s", len(d.config.Sources), d.GRPCAddr()))
}

// watchSources keeps the health of every source known to the health service.
func (d *Daemon) watchSources() {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		for _, h := range d.acq.Load().Sources() {
			d.rpc.SetSourceServing(h.Source, h.State == "opened" || h.State == "recovered")
		}
		select {
		case <-tick.C:
		case <-d.ctx.Done():
			return
		}
	}
}

// feedWatchdog tells the supervisor that scans advance, and nothing while they are
// overdue: for twice the slowest period and ten seconds.
func (d *Daemon) feedWatchdog() {
	if d.opts.Watchdog <= 0 {
		return
	}
	tick := time.NewTicker(d.opts.Watchdog)
	defer tick.Stop()
	var last uint64
	since := d.board.clock.Now().BootNS
	for {
		select {
		case <-tick.C:
		case <-d.ctx.Done():
			return
		}
		now := d.board.clock.Now().BootNS
		if n := d.acq.Load().Scans(); n != last {
			last, since = n, now
		}
		if time.Duration(now-since) < 2*slowest(d.layout())+10*time.Second {
			d.opts.Notify("WATCHDOG=1")
		}
	}
}

// slowest is the longest period of a source.
func slowest(l *record.Layout) time.Duration {
	var most int64
	for _, s := range l.Sources {
		most = max(most, s.EveryNS)
	}
	return time.Duration(most)
}

// shutdown stops what Start has started, in reverse: acquisition, journal, buses.
func (d *Daemon) shutdown() error {
	var errs []error
	if a := d.acq.Load(); a != nil {
		a.cancel()
		<-a.done
	}
	if d.journal != nil {
		errs = append(errs, d.journal.Close())
	}
	if d.board != nil {
		errs = append(errs, d.board.close())
	}
	return errors.Join(errs...)
}

var errStopped = errors.New("stopped")

// Stop stops the daemon, waits for it, and returns why it ended if nobody asked.
func (d *Daemon) Stop() error {
	d.stop(errStopped)
	<-d.done
	return d.err
}

// Done is closed when the daemon has ended.
func (d *Daemon) Done() <-chan struct{} { return d.done }

// GRPCAddr is where the services listen: host:port, or unix:/path.
func (d *Daemon) GRPCAddr() string {
	if a := d.grpcLis.Addr(); a.Network() == "unix" {
		return "unix:" + a.String()
	}
	return d.grpcLis.Addr().String()
}

// HTTPAddr is where metrics are served; empty: they are off.
func (d *Daemon) HTTPAddr() string {
	if d.httpLis == nil {
		return ""
	}
	return d.httpLis.Addr().String()
}

// Simulated is the simulated rig; nil on hardware.
func (d *Daemon) Simulated() *simrig.Rig { return d.board.sim }

// Clock is the rig's clock.
func (d *Daemon) Clock() Clock { return Clock{d.board.clock} }

// Reload reads the configuration file again: the new one is put in force as a whole,
// or the old one stays as it is. What can't change without a restart is said.
func (d *Daemon) Reload() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, err := LoadConfig(d.config.File, d.opts.Drivers)
	if err == nil {
		err = d.swap(c)
	}
	d.reload = reloadOutcome{ok: err == nil, at: time.Now()}
	if err != nil {
		return fmt.Errorf("reload: the old configuration stays in force: %w", err)
	}
	d.config = c
	d.runs.SetPlan(planOf(c))
	return nil
}

// swap replaces the acquirer; d.mu is held.
func (d *Daemon) swap(c *Config) error {
	old := d.config
	fixed := []struct {
		key  string
		same bool
	}{
		{"rig", c.Rig == old.Rig}, {"listen", c.Listen == old.Listen || sameListen(c, old)},
		{"journal", c.Journal == old.Journal}, {"simulated", (c.Simulated == nil) == (old.Simulated == nil)},
	}
	for _, f := range fixed {
		if !f.same {
			return fmt.Errorf("%s can't change while soakd runs: restart it", f.key)
		}
	}
	was := d.acq.Load()
	was.cancel()
	<-was.done
	if err := d.startAcquiring(c); err != nil {
		if back := d.startAcquiring(old); back != nil {
			d.stop(fmt.Errorf("the old configuration does not open any more: %w", back))
		}
		return err
	}
	return nil
}

func sameListen(a, b *Config) bool {
	x, y := a.Listen, b.Listen
	x.Reflection, y.Reflection = nil, nil
	return x == y && (a.Listen.Reflection == nil) == (b.Listen.Reflection == nil)
}

// planOf is the default plan of a rig.
func planOf(c *Config) record.Plan {
	var limits []record.Limit
	if p := c.Limits.Probe; p != nil {
		limits = append(limits, record.Limit{Name: "probe", Role: record.RoleProbe, Quantity: "value", Bound: *p, Severity: "fail"})
	}
	if p := c.Limits.Rise; p != nil {
		limits = append(limits, record.Limit{Name: "rise", Role: record.RoleProbe, Quantity: "rise", Bound: *p, Severity: "fail"})
	}
	for _, l := range c.Limits.List {
		limit := record.Limit{
			Name: l.Name, Channel: l.Channel, Role: record.Role(l.Role), Quantity: orWord(l.Quantity, "value"),
			Bound: *l.Bound, Below: l.Below, DwellS: l.Dwell.Seconds(), Severity: orWord(l.Severity, "fail"),
		}
		if limit.Name == "" {
			limit.Name = strings.TrimSpace(limit.Channel + string(limit.Role) + " " + limit.Quantity)
		}
		for _, p := range l.Phases {
			limit.Phases = append(limit.Phases, record.Phase(p))
		}
		limits = append(limits, limit)
	}
	load := time.Hour
	if c.Plan.Load != nil {
		load = *c.Plan.Load
	}
	plan := analysis.DefaultPlan(load.Seconds(), limits)
	for i := range plan.Phases {
		switch p := &plan.Phases[i]; {
		case p.Phase == record.PhaseBaseline && c.Plan.Baseline != nil:
			p.LengthS = c.Plan.Baseline.Seconds()
		case p.Phase == record.PhaseCooldown && c.Plan.Cooldown != nil:
			p.LengthS = c.Plan.Cooldown.Seconds()
		}
	}
	if b := c.Limits.Ambient; b != nil {
		plan.AmbientBandC = &record.Band{Low: b[0], High: b[1]}
	}
	plan.Constants = c.Plan.Constants
	return plan
}

func orWord(word, otherwise string) string {
	if word == "" {
		return otherwise
	}
	return word
}

// newBoot names a boot of a simulated rig: each start is one.
func newBoot() (b record.BootID) {
	if _, err := rand.Read(b[:]); err != nil {
		panic("no random numbers: " + err.Error()) // crypto/rand does not fail on Linux
	}
	return b
}
