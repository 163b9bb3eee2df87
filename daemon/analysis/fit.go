package analysis

import "soakrig/daemon/record"

// extrapolate is replaced below.
func (ev *evaluation) extrapolate(s *record.Steady) {}
