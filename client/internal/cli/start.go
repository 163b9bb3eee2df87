package cli

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

const startHelp = `Open a run on one rig. Without --load, --baseline, --cooldown or --limit the rig's own
plan is taken: baseline, load from the moment that wall power shows it (or a mark "load
start"), cooldown, verdict by the rig's limits. The verdict's rule is fixed now.

--condition records how the unit is set up; those named by --must-match must be equal
before two runs are compared. --repeat runs several times, each after the unit has
cooled to within 3 K of the room. --wait stays until the run has ended, shows what it
came to, and exits by its verdict.

Unattended loads: fit an independent thermal cut-out; soakd is not a safety device.`

// startFlags are the flags of soak start.
type startFlags struct {
	request                  client.StartRequest // what flags set as it is
	load, baseline, cooldown lengthFlag
	conditions, limits       []string
	wait                     bool
}

// startCommand is soak start.
func (s *session) startCommand() *cobra.Command {
	var o startFlags
	r := &o.request
	cmd := &cobra.Command{
		Use:   "start UNIT --setup NAME [--load 60min]",
		Short: "Open a run of a unit in a setup",
		Long:  startHelp,
		Example: `  soak start carrier-7 --setup rated --load 60min --condition fans=stock --must-match fans
  soak start carrier-7 --setup boosted --limit probe=105 --repeat 2 --rig bench-1
  soak start carrier-7 --setup rated --wait && echo it passed`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return s.start(cmd, args[0], o) },
	}
	f := cmd.Flags()
	f.StringVar(&r.Setup.Name, "setup", "", "`NAME` of the setup: rated, boosted, any")
	f.StringVar(&r.Revision, "revision", "", "`REVISION` of the unit")
	f.StringArrayVar(&o.conditions, "condition", nil, "`KEY=VALUE` of the setup; may be repeated")
	f.StringSliceVar(&r.Setup.MustMatch, "must-match", nil, "`KEYS` that must be equal in comparisons")
	f.Var(&o.load, "load", "planned load")
	f.Var(&o.baseline, "baseline", "baseline before the load")
	f.Var(&o.cooldown, "cooldown", "cooldown after it")
	for _, name := range []string{"load", "baseline", "cooldown"} {
		f.Lookup(name).DefValue = "as in the plan"
	}
	f.StringArrayVar(&o.limits, "limit", nil, "`ROLE=BOUND`, CHANNEL=BOUND or rise=BOUND instead of the rig's limits; may be repeated")
	f.IntVar(&r.Repeat, "repeat", 1, "`N` runs one after the other")
	f.StringVar(&r.Operator, "operator", "", "who starts; default: $USER")
	f.BoolVar(&o.wait, "wait", false, "wait for the end and exit by the verdict")
	cmd.ValidArgsFunction = s.completeUnit
	complete(cmd, "setup", func(string) []string { return s.of(cmd, func(r record.RunStart) string { return r.Setup.Name }) })
	return cmd
}

// start opens a run of a unit, and waits for its end where that is asked for.
func (s *session) start(cmd *cobra.Command, unit string, o startFlags) error {
	r := o.request
	r.Unit, r.LoadS = unit, float64(o.load)
	if err := fillSetup(&r.Setup, o.conditions); err != nil {
		return err
	}
	if r.Operator == "" {
		r.Operator = s.Getenv("USER")
	}
	rig, err := s.oneRig(cmd.Context())
	if err != nil {
		return err
	}
	change := planChange{limits: o.limits, baselineS: given(cmd, "baseline", o.baseline), cooldownS: given(cmd, "cooldown", o.cooldown)}
	if change.any() {
		if err := change.apply(cmd.Context(), rig, &r); err != nil {
			return err
		}
	}
	run, _, err := rig.Start(cmd.Context(), r)
	if err != nil {
		return err
	}
	if !o.wait {
		s.progress("soak watch shows it; soak show %s when it has ended", run)
		_, err = fmt.Fprintln(s.Stdout, run)
		return err
	}
	return s.waitFor(cmd, rig, run)
}

// fillSetup puts the conditions into a setup, and refuses one that can't be compared.
func fillSetup(setup *record.Setup, conditions []string) error {
	if setup.Name == "" {
		return usagef("say the setup, such as --setup rated: runs are compared by it")
	}
	setup.Conditions = map[string]string{}
	for _, c := range conditions {
		k, v, ok := strings.Cut(c, "=")
		if !ok || k == "" {
			return usagef("--condition %q: want KEY=VALUE", c)
		}
		setup.Conditions[k] = v
	}
	for _, k := range setup.MustMatch {
		if _, ok := setup.Conditions[k]; !ok {
			return usagef("--must-match %s: there is no such condition%s", k, strictyaml.Suggest(k, slices.Sorted(maps.Keys(setup.Conditions))))
		}
	}
	return nil
}

// given is a length in seconds; nil: the flag was not given, which is not a length of 0.
func given(cmd *cobra.Command, flag string, length lengthFlag) *float64 {
	if !cmd.Flags().Changed(flag) {
		return nil
	}
	s := float64(length)
	return &s
}

// planChange is what a run's plan has that the rig's own has not.
type planChange struct {
	baselineS, cooldownS *float64
	limits               []string
}

func (c *planChange) any() bool {
	return c.baselineS != nil || c.cooldownS != nil || len(c.limits) > 0
}

// apply takes the rig's default plan and changes it. A load that the request asks for
// belongs to the plan then.
func (c *planChange) apply(ctx context.Context, rig *namedRig, r *client.StartRequest) error {
	d, err := rig.Describe(ctx)
	if err != nil {
		return err
	}
	plan := d.DefaultPlan
	for i := range plan.Phases {
		p := &plan.Phases[i]
		switch {
		case p.Phase == record.PhaseBaseline && c.baselineS != nil:
			p.LengthS = *c.baselineS
		case p.Phase == record.PhaseLoad && r.LoadS > 0:
			p.LengthS = r.LoadS
		case p.Phase == record.PhaseCooldown && c.cooldownS != nil:
			p.LengthS = *c.cooldownS
		}
	}
	if len(c.limits) > 0 {
		if plan.Limits, err = parseLimits(c.limits, d.Layout.Channels); err != nil {
			return err
		}
	}
	r.Plan = &plan
	return nil
}

// waitFor follows a run to its end, then shows it.
func (s *session) waitFor(cmd *cobra.Command, rig *namedRig, run string) error {
	w, ok := rig.Rig.(watcher)
	if !ok {
		return errors.New("this rig can't be watched")
	}
	ended := errors.New("ended")
	last := time.Time{}
	err := w.Watch(cmd.Context(), time.Second, nil, func(live *record.Live, done *client.Run) error {
		if done != nil && done.Start.Run == run {
			return ended
		}
		if live != nil && live.Run == run && time.Since(last) > 30*time.Second {
			last = time.Now()
			s.progress("%s", liveLine(live, 0))
		}
		return nil
	})
	if err != nil && !errors.Is(err, ended) {
		return err
	}
	got, err := rig.Get(cmd.Context(), run)
	if err != nil {
		return err
	}
	l := s.fromRig(rig, got)
	if err := l.needResult(); err != nil {
		return err
	}
	if err := s.printResults([]*record.Result{&l.run.Result}, "text"); err != nil {
		return err
	}
	return verdictExit(&l.run.Result)
}
