package daemon

import (
	"fmt"
	"os"
	"strings"

	"soakrig/daemon/internal/remotewrite"
)

// openSenders makes a sender for every receiver of the configuration.
func (d *Daemon) openSenders() error {
	for _, r := range d.config.Remote {
		o := remotewrite.Options{
			Name: r.Name, URL: r.URL, Version: r.Protocol, Window: r.Window, Labels: r.Labels, Agent: "soakd/" + d.opts.Version,
			Rig: d.config.Rig, Journal: d.journal, Dir: d.config.Journal.Dir, Clock: d.board.clock, Layout: d.layout, Log: d.log,
		}
		if r.Authorization != "" {
			text, err := os.ReadFile(r.Authorization)
			if err != nil {
				return fmt.Errorf("remote_write %s: read the authorization: %w", r.Name, err)
			}
			o.Headers = map[string]string{"Authorization": strings.TrimSpace(string(text))}
		}
		s, err := remotewrite.New(o)
		if err != nil {
			return fmt.Errorf("remote_write %s: %w", r.Name, err)
		}
		d.senders = append(d.senders, s)
	}
	return nil
}
