// Package daemon wires soakd together: configuration, buses, acquisition, journal,
// runs, services. It starts the rooms in the order in which a sample passes them and
// stops them in reverse. It computes nothing and decides nothing about a run.
//
// The list of drivers is passed in, so that a main of one's own can add some.
package daemon

import (
	"soakrig/daemon/internal/config"
	"soakrig/drivers"
)

// Config is a checked rig.yaml.
type Config = config.Config

// LoadConfig reads rig.yaml. The error names every problem with file, line, column,
// key and what would be right.
func LoadConfig(path string, known []*drivers.Driver) (*Config, error) {
	return config.Load(path, known, judges(known)...)
}

// ParseConfig is LoadConfig for text; name is for messages.
func ParseConfig(name string, text []byte, known []*drivers.Driver) (*Config, error) {
	return config.Parse(name, text, known, judges(known)...)
}
