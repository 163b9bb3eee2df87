package daemon

import (
	"context"

	"soakrig/drivers/plugin"
	"soakrig/drivers/push"
)

// outside is the context in which sources open: it carries what comes from outside of
// the rig's buses, and where drivers in processes of their own write to.
func (d *Daemon) outside() context.Context {
	ctx := push.WithFeed(d.ctx, &d.feed)
	return plugin.WithLog(ctx, func(source, line string) {
		d.log.Info("driver process", "source", source, "line", line)
	})
}
