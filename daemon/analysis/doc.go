// Package analysis turns the observations of one run into what the run proves:
// load, peak, rise, room, settling, limiting, probe health, uncertainty, verdict. It is
// pure: no clock, no file, no goroutine, no randomness. The same observations in the
// same order give the same result, live (Tracker) and replayed (Recording).
//
// Its rooms: constants holds every threshold, compare ranks finished results, zero
// judges probes at a known temperature; internal/limiting reads what held power
// back, internal/budget adds up uncertainties, internal/series is arithmetic.
//
// It converts no codes (see convert), stores nothing and words nothing for a
// screen beyond reasons and findings. All numbers are made here; clients only draw
// them.
//
// Run time is in seconds. Observations are gathered into seconds; a second's value
// is the median of its good readings, so that short spikes never reach the slow
// arithmetic. A second without a good reading has no value: nothing is repeated or
// filled in.
//
// Products in sums stand in float64 conversions, which keep a compiler from fusing
// them: results agree to the last bit between amd64, arm64 and arm, but for the time
// constant that an exponential is fitted for and what follows from it, which agree
// within 1e-6. Golden results hold that.
package analysis

// Version names the computation. It is stored with every result and changes when
// any number may change.
const Version = "soakrig-analysis/2"
