package analysis

// CounterStep is how far a counter moved from prev to now, both in its unit and at
// least 0. modulus is where it starts again from 0; zero says that it does not.
// most is the largest movement that is possible in between.
//
// A fall counts as a wrap only if prev lay in the last 5 % before the modulus and the
// movement is possible; any other fall is a reset, and how far the counter moved is
// unknown: ok is false. A counter that was reset and looks like a wrap would add its
// whole range to the energy.
func CounterStep(prev, now, modulus, most float64) (delta float64, ok bool) {
	if delta = now - prev; delta >= 0 {
		return delta, delta <= most
	}
	if modulus <= 0 || prev < 0.95*modulus || prev > modulus {
		return 0, false
	}
	delta += modulus
	return delta, delta <= most
}
