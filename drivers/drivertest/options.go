package drivertest

import (
	"strings"

	"github.com/goccy/go-yaml"

	"soakrig/drivers"
)

// Options returns a driver's own options from YAML text, as strict as the
// daemon's: unknown keys and wrong types are errors. Empty text is no options.
func Options(text string) drivers.Params { return params(text) }

type params string

// Decode implements drivers.Params.
func (p params) Decode(v any) error {
	if strings.TrimSpace(string(p)) == "" {
		return nil
	}
	return yaml.UnmarshalWithOptions([]byte(p), v, yaml.Strict())
}
