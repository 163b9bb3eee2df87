package daemon

import (
	"maps"
	"slices"
	"strings"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/config"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
	"soakrig/drivers/simrig"
)

// judges are the rooms that know what config keeps opaque: so that all that is wrong
// with a file comes in one report. They open nothing.
func judges(known []*drivers.Driver) []config.Judge {
	return []config.Judge{acquire.Judge(known), judgeSimulated, judgePlan, judgeListen}
}

// judgeSimulated judges the options of a simulated rig.
func judgeSimulated(c *Config) (all config.Problems) {
	if c.Simulated == nil {
		return nil
	}
	opts := simrig.DefaultOpts()
	all, _ = c.Simulated.Rest.Decode(&opts).(config.Problems) // nothing else comes from there
	joined, _ := opts.Check().(interface{ Unwrap() []error })
	if joined == nil {
		return all
	}
	for _, err := range joined.Unwrap() {
		key, text, _ := strings.Cut(err.Error(), ": ")
		if key = "simulated." + key; !all.Below(key) {
			all = append(all, c.Problem(key, text))
		}
	}
	return all
}

// judgePlan judges the constants that a plan sets.
func judgePlan(c *Config) (all config.Problems) {
	defaults := constants.Default()
	names := slices.Sorted(maps.Keys(defaults.Map()))
	for _, name := range slices.Sorted(maps.Keys(c.Plan.Constants)) {
		key := "plan.constants." + name
		if !slices.Contains(names, name) {
			all = append(all, c.Problem(key, "no constant of the computation is called so"+strictyaml.Suggest(name, names)))
			continue
		}
		if err := defaults.Override(map[string]float64{name: c.Plan.Constants[name]}); err != nil {
			text, _, _ := strings.Cut(err.Error(), "; the constants are")
			all = append(all, c.Problem(key, strings.TrimPrefix(text, "analysis constants: ")))
		}
	}
	return all
}

// judgeListen refuses addresses at which strangers would reach an open rig.
func judgeListen(c *Config) config.Problems {
	l := c.Listen
	if err := rpc.CheckAddress(l.GRPC, rpc.Security{CertFile: l.TLSCert, KeyFile: l.TLSKey, ClientCA: l.ClientCA, TokenFile: l.Tokens}); err != nil {
		return config.Problems{c.Problem("listen.grpc", err.Error())}
	}
	return nil
}
