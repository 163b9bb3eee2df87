// Package pulse reads meters with a pulse output (S0 of IEC 62053-31) on a GPIO line:
// power from the time between two pulses, as the kernel stamped them, and energy from
// their count.
//
// The energy is a total: after a restart it goes on from what was stored last, without
// the pulses of the time between, so that a run's energy is integrated from power then. Power between pulses is the most it can be: it falls while no
// pulse comes and is stale in the end, never 0.
package pulse
