// Package pulse reads meters with a pulse output (S0 of IEC 62053-31) on a GPIO line:
// power from the time between two pulses, as the kernel stamped them, and energy from
// their count.
//
// The energy counts from the opening of the source; a restart begins at 0, which is a
// reset and not a wrap. Power between pulses is the most it can be: it falls while no
// pulse comes and is stale in the end, never 0.
package pulse
