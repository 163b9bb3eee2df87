package drivertest

import (
	"strings"

	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
)

// Options returns a driver's own options from YAML text, read by the daemon's own
// decoder: unknown keys and wrong types are errors. Empty text is no options.
func Options(text string) drivers.Params { return params(text) }

type params string

// Decode implements drivers.Params.
func (p params) Decode(v any) error {
	if strings.TrimSpace(string(p)) == "" {
		return nil
	}
	doc, err := strictyaml.Parse("options", []byte(p))
	if err != nil {
		return err
	}
	var all struct{ Rest strictyaml.Rest }
	doc.Decode(&all)
	if err := doc.Err(); err != nil {
		return err
	}
	return all.Rest.Decode(v)
}
