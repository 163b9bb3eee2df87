package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

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

	config atomic.Pointer[Config] // in force; a reload replaces it
	mu     sync.Mutex             // guards reload; held during a reload
	reload reloadOutcome          // of the newest reload
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
	d := &Daemon{opts: opts, log: opts.Log, done: make(chan struct{}), reload: reloadOutcome{ok: true, at: time.Now()}}
	d.config.Store(opts.Config)
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
		Rig: d.config.Load().Rig, Journal: d.journal, Clock: d.board.clock, Layout: d.layout,
		Plan: planOf(d.config.Load()), Log: d.log,
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
		Rig: d.config.Load().Rig, Version: d.opts.Version, Simulated: d.config.Load().Simulated != nil,
		Journal: d.journal, Clock: d.board.clock, Layout: d.layout, Sources: d.sourceRows,
		Live: d.runs.Live, Subscribers: d.streamRows, Reload: d.reloadState, Limits: d.limits,
		Serving: d.serving.Load, Log: d.log,
		Collectors: []prometheus.Collector{remotewrite.NewCollector(d.senders...)},
	})
	if err != nil {
		return err
	}
	c := d.config.Load().Interlock
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
