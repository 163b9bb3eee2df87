package daemon

import (
	"fmt"
	"os"
	"strings"
	"time"

	"soakrig/daemon/internal/remotewrite"
	"soakrig/drivers/simrig"
)

// openSenders makes a sender for every receiver of the configuration.
func (d *Daemon) openSenders() error {
	for _, text := range remoteCautions(d.config.Load()) {
		d.log.Warn(text)
	}
	for _, r := range d.config.Load().Remote {
		o := remotewrite.Options{
			Name: r.Name, URL: r.URL, Version: r.Protocol, Window: r.Window, Labels: r.Labels, Agent: "soakd/" + d.opts.Version,
			Rig: d.config.Load().Rig, Journal: d.journal, Dir: d.config.Load().Journal.Dir, Clock: d.board.clock, Layout: d.layout, Log: d.log,
		}
		if r.Authorization != "" {
			text, err := os.ReadFile(r.Authorization)
			if err != nil {
				return fmt.Errorf("remote_write %s: read the authorization: %w", r.Name, err)
			}
			value := strings.TrimSpace(string(text))
			if value == "" || strings.ContainsAny(value, "\r\n") {
				return fmt.Errorf("remote_write %s: %s: want one line, such as: Bearer KEY", r.Name, r.Authorization)
			}
			o.Headers = map[string]string{"Authorization": value}
		}
		s, err := remotewrite.New(o)
		if err != nil {
			return fmt.Errorf("remote_write %s: %w", r.Name, err)
		}
		d.senders = append(d.senders, s)
	}
	return nil
}

// futureKept is how far ahead of its own clock a receiver takes a sample (Prometheus 3;
// 2.42 takes any, and shows them to nobody until then).
const futureKept = 10 * time.Minute

// remoteCautions are what a receiver will not like about a simulated rig's time.
func remoteCautions(c *Config) []string {
	if c.Simulated == nil || len(c.Remote) == 0 {
		return nil
	}
	opts := simrig.DefaultOpts()
	if c.Simulated.Rest.Decode(&opts) != nil {
		return nil // opening the rig says what is wrong
	}
	behind := time.Duration(0) // of the rig's time at the start
	if !opts.Start.IsZero() {
		behind = time.Since(opts.Start)
	}
	var all []string
	if speed := c.Simulated.Speed; speed > 1 {
		when := "from the beginning"
		if behind >= 0 {
			when = fmt.Sprintf("after %v", (time.Duration(float64(behind+futureKept) / (speed - 1))).Round(time.Second))
		}
		all = append(all, fmt.Sprintf("remote_write: the simulated rig runs %g times as fast as time, so its samples come from the future %s: receivers refuse them, or show them when their time comes. Set simulated.start to a time in the past, inside the receivers' window, or simulated.speed to 1", speed, when))
	}
	for _, r := range c.Remote {
		if behind > max(r.Window, time.Hour) {
			all = append(all, fmt.Sprintf("remote_write: simulated.start %s is further in the past than receiver %s takes samples (window %v)", opts.Start.UTC().Format(time.RFC3339), r.Name, r.Window))
		}
	}
	if opts.Start.IsZero() && c.Simulated.Speed <= 1 {
		return all
	}
	return append(all, "remote_write: a simulated rig's time begins anew at every start of soakd: times that were sent before come again with other values, and receivers refuse those or keep both")
}
