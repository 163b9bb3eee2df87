package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/exporter-toolkit/web"

	"soakrig/daemon/analysis"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/internal/runs"
	"soakrig/daemon/record"
)

// startServices opens the listeners and serves.
func (d *Daemon) startServices() (err error) {
	l := d.config.Load().Listen
	d.rpc, err = rpc.New(rpc.Options{
		Rig: d.config.Load().Rig, Version: d.opts.Version, Algorithm: analysis.Version, Simulated: d.config.Load().Simulated != nil,
		Journal: rpc.FromJournal(d.journal), Layout: d.layout, Convert: convertFor,
		Runs: runsView{d.runs, d.board.sim}, Sources: d.sourceHealth, Clock: d.board.clock, DefaultPlan: d.runs.Plan,
		RunErrors:    rpc.RunErrors{NoRun: runs.ErrNoRun, Open: runs.ErrRunOpen, NotOpen: runs.ErrNoOpen, Plan: runs.ErrPlan},
		Security:     security(d.config.Load()),
		NoReflection: l.Reflection != nil && !*l.Reflection,
		Push:         d.feed.Push,
		Log:          d.log,
	})
	if err != nil {
		return err
	}
	if d.grpcLis, err = rpc.Listen(l.GRPC); err != nil {
		return err
	}
	if l.HTTP != "off" {
		if d.httpLis, err = net.Listen("tcp", l.HTTP); err != nil {
			return fmt.Errorf("listen on %s for metrics: %w; set listen.http to another address or to off", l.HTTP, err)
		}
		d.http = &http.Server{
			Handler: d.metrics.Handler(), ReadHeaderTimeout: 10 * time.Second,
			ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelDebug), // strangers who come without TLS
		}
		go func() {
			// The web configuration file is that of the Prometheus exporters: TLS, client
			// certificates, passwords. It is read again for every request.
			flags := &web.FlagConfig{WebConfigFile: &l.WebConfig}
			if err := web.Serve(d.httpLis, d.http, flags, slog.New(slog.DiscardHandler)); !errors.Is(err, http.ErrServerClosed) {
				d.stop(fmt.Errorf("serve metrics: %w", err))
			}
		}()
	}
	go func() {
		if err := d.rpc.Serve(d.grpcLis); err != nil {
			d.stop(fmt.Errorf("serve gRPC: %w", err))
		}
	}()
	return nil
}

// stopServices ends every call and closes the listeners.
func (d *Daemon) stopServices() {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	if err := d.rpc.Shutdown(ctx); err != nil {
		d.log.Warn("calls did not end in time", "error", err)
	}
	if d.http != nil {
		if err := d.http.Shutdown(ctx); err != nil {
			d.http.Close()
		}
	}
}

func (d *Daemon) sourceHealth() []rpc.SourceHealth {
	now := d.board.clock.Now()
	var all []rpc.SourceHealth
	for _, h := range d.acq.Load().Sources() {
		s := rpc.SourceHealth{Source: h.Source, State: h.State, Text: h.Text, Reads: h.Reads, Failures: h.Failures, Late: h.Late}
		if h.HasLast {
			age := time.Duration(now.BootNS - h.Last.BootNS).Seconds()
			s.AgeS = &age
		}
		all = append(all, s)
	}
	return all
}

// stopRequested acts on a run's request to stop: the interlock drops and the site's
// program runs. Neither is a guarantee.
func (d *Daemon) stopRequested(run, reason string) {
	d.log.Warn("a run asks to stop the load", "run", run, "reason", reason)
	if d.interlock != nil {
		d.interlock.Drop(reason)
		if _, err := d.journal.Append(d.board.clock.Now(), &record.RunEvent{Run: run, Event: "interlock", Text: reason}); err != nil {
			d.log.Error("the drop of the interlock can't be stored", "error", err)
		}
	}
	if args := d.config.Load().Plan.Stop; len(args) > 0 {
		d.runs.StopCommand(d.ctx, run, args)
	}
}
