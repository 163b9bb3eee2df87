package daemon

import (
	"fmt"
	"time"
)

// reloadOutcome is what the newest reload came to.
type reloadOutcome struct {
	ok bool
	at time.Time
}

// Reload reads the configuration file again: the new one is put in force as a whole,
// or the old one stays as it is. What can't change without a restart is said.
func (d *Daemon) Reload() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, err := LoadConfig(d.config.Load().File, d.opts.Drivers)
	if err == nil {
		err = d.swap(c)
	}
	d.reload = reloadOutcome{ok: err == nil, at: time.Now()}
	if err != nil {
		return fmt.Errorf("reload: the old configuration stays in force: %w", err)
	}
	d.config.Store(c)
	d.runs.SetPlan(planOf(c))
	return nil
}

// swap replaces the acquirer; d.mu is held.
func (d *Daemon) swap(c *Config) error {
	old := d.config.Load()
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
