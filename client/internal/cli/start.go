package cli

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// startCommand is soak start.
func (s *session) startCommand() *cobra.Command {
	var r client.StartRequest
	var load, baseline, cooldown lengthFlag
	var conditions, limits []string
	var wait bool
	cmd := &cobra.Command{
		Use:   "start UNIT --setup NAME [--load 60min]",
		Short: "Open a run of a unit in a setup",
		Long: `Open a run on one rig. Without --load, --baseline, --cooldown or --limit the rig's own
plan is taken: baseline, load from the moment that wall power shows it (or a mark "load
start"), cooldown, verdict by the rig's limits. The verdict's rule is fixed now.

--condition records how the unit is set up; those named by --must-match must be equal
before two runs are compared. --repeat runs several times, each after the unit has
cooled to within 3 K of the room. --wait stays until the run has ended, shows what it
came to, and exits by its verdict.

Unattended loads: fit an independent thermal cut-out; soakd is not a protective device.`,
		Example: `  soak start carrier-7 --setup rated --load 60min --condition fans=stock --must-match fans
  soak start carrier-7 --setup boosted --limit probe=105 --repeat 2 --rig bench-1
  soak start carrier-7 --setup rated --wait && echo it passed`,
		Args: cobra.ExactArgs(1),
	}
	f := cmd.Flags()
	f.StringVar(&r.Setup.Name, "setup", "", "`NAME` of the setup: rated, boosted, any")
	f.StringVar(&r.Revision, "revision", "", "`REVISION` of the unit")
	f.StringArrayVar(&conditions, "condition", nil, "`KEY=VALUE` of the setup; may be repeated")
	f.StringSliceVar(&r.Setup.MustMatch, "must-match", nil, "`KEYS` that must be equal in comparisons")
	f.Var(&load, "load", "planned load")
	f.Var(&baseline, "baseline", "baseline before the load")
	f.Var(&cooldown, "cooldown", "cooldown after it")
	f.StringArrayVar(&limits, "limit", nil, "`ROLE=BOUND`, CHANNEL=BOUND or rise=BOUND instead of the rig's limits; may be repeated")
	f.IntVar(&r.Repeat, "repeat", 1, "`N` runs one after the other")
	f.StringVar(&r.Operator, "operator", "", "who starts; default: $USER")
	f.BoolVar(&wait, "wait", false, "wait for the end and exit by the verdict")
	cmd.ValidArgsFunction = s.completeUnit
	complete(cmd, "setup", func(string) []string { return s.of(cmd, func(r record.RunStart) string { return r.Setup.Name }) })
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		r.Unit = args[0]
		if r.Setup.Name == "" {
			return usagef("say the setup, such as --setup rated: runs are compared by it")
		}
		r.Setup.Conditions = map[string]string{}
		for _, c := range conditions {
			k, v, ok := strings.Cut(c, "=")
			if !ok || k == "" {
				return usagef("--condition %q: want KEY=VALUE", c)
			}
			r.Setup.Conditions[k] = v
		}
		for _, k := range r.Setup.MustMatch {
			if _, ok := r.Setup.Conditions[k]; !ok {
				return usagef("--must-match %s: there is no such condition%s", k, strictyaml.Suggest(k, keys(r.Setup.Conditions)))
			}
		}
		if r.Operator == "" {
			r.Operator = s.Getenv("USER")
		}
		rig, err := s.oneRig(cmd.Context())
		if err != nil {
			return err
		}
		r.LoadS = float64(load)
		if f.Changed("baseline") || f.Changed("cooldown") || len(limits) > 0 {
			if err := s.changePlan(cmd, rig, &r, f.Changed("baseline"), float64(baseline), f.Changed("cooldown"), float64(cooldown), limits); err != nil {
				return err
			}
		}
		run, _, err := rig.Start(cmd.Context(), r)
		if err != nil {
			return err
		}
		if !wait {
			s.progress("soak watch shows it; soak show %s when it has ended", run)
			_, err = fmt.Fprintln(s.Stdout, run)
			return err
		}
		return s.waitFor(cmd, rig, run)
	}
	return cmd
}

func keys(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	return out
}

// changePlan takes the rig's default plan and changes what the flags say.
func (s *session) changePlan(cmd *cobra.Command, rig *namedRig, r *client.StartRequest, hasBaseline bool, baselineS float64, hasCooldown bool, cooldownS float64, limits []string) error {
	d, err := rig.Describe(cmd.Context())
	if err != nil {
		return err
	}
	plan := d.DefaultPlan
	for i := range plan.Phases {
		p := &plan.Phases[i]
		switch {
		case p.Phase == record.PhaseBaseline && hasBaseline:
			p.LengthS = baselineS
		case p.Phase == record.PhaseLoad && r.LoadS > 0:
			p.LengthS = r.LoadS
		case p.Phase == record.PhaseCooldown && hasCooldown:
			p.LengthS = cooldownS
		}
	}
	if len(limits) > 0 {
		if plan.Limits, err = parseLimits(limits, d.Layout.Channels); err != nil {
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
