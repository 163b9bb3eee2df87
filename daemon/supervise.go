package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"soakrig/daemon/record"
)

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
	acq := d.acq.Load()
	select {
	case <-acq.Scanned():
	case <-d.ctx.Done():
		return
	}
	d.serving.Store(true)
	d.rpc.SetServing(true)
	d.opts.Notify(fmt.Sprintf("STATUS=%d sources, gRPC on %s", len(acq.Sources()), d.GRPCAddr()))
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
