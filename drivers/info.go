package drivers

import "time"

// Info is what `soakd drivers NAME` prints and what the budget and the checks
// take from a driver.
type Info struct {
	Summary  string        // one line: the part and what it measures
	Bus      string        // how it is attached: "SPI mode 0, at most 5 MHz"
	Options  []Option      // the driver's own keys
	Fastest  time.Duration // the shortest sensible period; zero: any
	Detects  []string      // failures that the driver turns into faults
	Misses   []string      // failures that it can't see
	Accuracy []string      // published figures, each with its source
	Caution  string        // shown by check and at the first start; empty: none beyond the general ones
}

// Option describes one key of a driver.
type Option struct {
	Key     string
	Scope   string // "source" or "input"
	Unit    string // unit or the allowed words
	Default string // empty: required
	Help    string
}
