package daemon

import (
	"fmt"
	"maps"
	"net"
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
	return []config.Judge{acquire.Judge(known), judgeSimulated, judgePorts, judgePlan, judgeListen}
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

// judgePorts refuses what a simulated rig has not: lines and addresses of real devices.
func judgePorts(c *Config) (all config.Problems) {
	if c.Simulated == nil {
		return nil
	}
	for i, s := range c.Sources {
		for j, in := range s.Inputs {
			key := fmt.Sprintf("sources[%d].port", i)
			if in.Port != s.Port {
				key = fmt.Sprintf("sources[%d].inputs[%d].port", i, j)
			}
			if text := notSimulated(in.Port); text != "" && !all.At(key) {
				all = append(all, c.Problem(key, text))
			}
		}
	}
	return all
}

// notSimulated says why a simulated rig has no such port; empty: it may have it.
func notSimulated(port string) string {
	address, isAddress := strings.CutPrefix(port, "tcp://")
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	ip := net.ParseIP(host)
	switch {
	case strings.HasPrefix(port, "/dev/tty") || strings.HasPrefix(port, "/dev/serial"):
		return fmt.Sprintf("a simulated rig has no serial lines, so no %s: read its meter over TCP, tcp://sim-meter:502, or remove the key simulated", port)
	case isAddress && host != "meter" && host != "sim-meter" && host != "localhost" && (ip == nil || !ip.IsLoopback()):
		return fmt.Sprintf("a simulated rig reaches no %s: its meter is tcp://sim-meter:502; or remove the key simulated", host)
	}
	return ""
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
	if err := rpc.CheckAddress(c.Listen.GRPC, security(c)); err != nil {
		return config.Problems{c.Problem("listen.grpc", err.Error())}
	}
	return nil
}

// security is who may reach the services of a configuration.
func security(c *Config) rpc.Security {
	l := c.Listen
	return rpc.Security{CertFile: l.TLSCert, KeyFile: l.TLSKey, ClientCA: l.ClientCA, TokenFile: l.Tokens}
}
