package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	sd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/coreos/go-systemd/v22/journal"

	"soakrig/daemon"
	"soakrig/drivers/all"
)

// gcPercent is how much garbage may lie beside what is in use before it is collected.
// soakd allocates little, so that half of the usual costs nothing that shows and keeps
// a small board's memory for others. GOGC in the environment counts instead.
const gcPercent = 50

// serve runs the daemon until ctx ends. Why it can't run is told to the service manager
// too: systemctl status shows it while the unit waits for its next start.
func serve(ctx context.Context, stderr io.Writer, file string) error {
	err := runDaemon(ctx, stderr, file)
	if err != nil {
		// Without a service manager there is nobody to tell.
		_, _ = sd.SdNotify(false, "STATUS="+firstLine(err))
	}
	return err
}

// firstLine is what fits into a status: the first of several problems, and how many
// there are.
func firstLine(err error) string {
	lines := strings.Split(strings.TrimSpace(err.Error()), "\n")
	if len(lines) == 1 {
		return lines[0]
	}
	return fmt.Sprintf("%s (the first of %d lines in the log)", lines[0], len(lines))
}

func runDaemon(ctx context.Context, stderr io.Writer, file string) error {
	c, err := load(file)
	if err != nil {
		return err
	}
	log := logger(stderr)
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	every, err := sd.SdWatchdogEnabled(false)
	if err != nil {
		return fmt.Errorf("read the watchdog's settings: %w", err)
	}
	notify := func(state string) {
		if _, err := sd.SdNotify(false, state); err != nil {
			log.Warn("the service manager can't be told", "state", state, "error", err)
		}
	}
	d, err := daemon.Start(daemon.Options{
		Config: c, Drivers: all.Drivers(), Version: version, Log: log, Watchdog: every / 2, Notify: notify,
	})
	if err != nil {
		return err
	}
	log.Info("soakd runs", "rig", c.Rig, "grpc", d.GRPCAddr(), "http", d.HTTPAddr(), "version", version, "simulated", c.Simulated != nil)
	log.Warn("soakd is not a safety device: fit an independent thermal cut-out")
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	for {
		select {
		case <-hup:
			if err := d.Reload(); err != nil {
				log.Error("configuration", "error", err)
				notify("STATUS=" + firstLine(err))
			} else {
				log.Info("configuration read again")
				notify("STATUS=acquiring, with the configuration as it is now")
			}
		case <-ctx.Done():
			log.Info("stopping")
			return d.Stop()
		case <-d.Done():
			return d.Stop()
		}
	}
}

// logger writes text; under journald without times, which journald adds itself.
func logger(w io.Writer) *slog.Logger {
	opts := &slog.HandlerOptions{}
	if journald, err := journal.StderrIsJournalStream(); err == nil && journald {
		opts.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(w, opts))
}
