package daemon

import (
	"cmp"
	"strings"
	"time"

	"soakrig/daemon/analysis"
	"soakrig/daemon/record"
)

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
			Name: l.Name, Channel: l.Channel, Role: record.Role(l.Role), Quantity: cmp.Or(l.Quantity, "value"),
			Bound: *l.Bound, Below: l.Below, DwellS: l.Dwell.Seconds(), Severity: cmp.Or(l.Severity, "fail"),
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
