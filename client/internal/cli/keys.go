package cli

import (
	"fmt"
	"io"
	"maps"
	"slices"

	"soakrig/daemon/analysis/constants"
)

// key documents one key of a result's JSON.
type key struct{ path, text string }

// resultKeys documents every key of a result; a test holds it to record.Result.
func resultKeys() []key {
	return slices.Concat(runKeys(), peakKeys(), probeKeys(), ambientKeys(), loadKeys(), steadyKeys(), courseKeys(), evidenceKeys())
}

// runKeys say what was run and what it came to.
func runKeys() []key {
	return []key{
		{"algorithm", "name and version of the computation"},
		{"rig", "rig it ran on; absent: a recording that names none"},
		{"run", "id of the run"},
		{"unit", "unit under test"},
		{"revision", "of the unit"},
		{"setup", "name of the setup"},
		{"conditions", "conditions of the setup by key"},
		{"must_match", "conditions that must be equal before two runs are compared"},
		{"started", "wall time of run time zero, RFC 3339; absent: not known"},
		{"duration_s", "from the first to the last reading"},
		{"first_seq", "first journal entry it was computed from, as text"},
		{"last_seq", "last one"},
		{"verdict", "pass, fail, marginal, void, or none when no limit was set"},
		{"marginal_side", "below or above: side of the limit, when marginal"},
		{"limited", "thermal limiting was seen: the peak is the limiter's set point"},
		{"final", "false: the run has not ended"},
		{"reasons", "why the verdict is what it is, most important first"},
		{"reasons.code", "word for programs"},
		{"reasons.text", "for people"},
	}
}

// peakKeys say how hot it got.
func peakKeys() []key {
	return []key{
		{"peak", "hot spot; absent: no probe gave a peak"},
		{"peak.channel", "probe that holds the peak"},
		{"peak.place", "where it sits"},
		{"peak.held_c", "highest level held for the hold time (10 s), degC"},
		{"peak.expanded_k", "its expanded uncertainty, K"},
		{"peak.coverage_factor", "k of it"},
		{"peak.at_s", "run time at which the window begins"},
		{"peak.lower_bound", "true: a probe was lost, the true peak may be higher"},
		{"peak.rise_k", "above the room at the same time, K"},
		{"peak.rise_expanded_k", "its expanded uncertainty, K"},
		{"peak.ambient_c", "room, mean of the 15 min before the peak, degC"},
		{"peak.reference_c", "peak moved to the reference room temperature, degC; absent: refused, or no room channel"},
		{"peak.reference_expanded_k", "its expanded uncertainty, K"},
		{"peak.reference_ambient_c", "that reference room temperature, degC"},
		{"peak.second", "next hottest probe"},
		{"peak.second_held_c", "its held level, degC"},
		{"peak.gap_k", "peak minus that, K"},
		{"peak.ambiguous", "true: the gap is inside its uncertainty, the hot spot is either"},
		{"peak.probes_good", "probes in good health"},
		{"peak.probes_total", "probes of the run"},
	}
}

// probeKeys say what each probe saw.
func probeKeys() []key {
	return []key{
		{"probes", "every probe"},
		{"probes.channel", "name"},
		{"probes.place", "where it sits"},
		{"probes.health", "good, incomplete, lost, detached, never_attached, reversed, stuck, pickup, absent, unjudged (no load was seen)"},
		{"probes.counts", "whether it counted for the peak"},
		{"probes.held_c", "highest level held on load, degC"},
		{"probes.expanded_k", "its expanded uncertainty, K"},
		{"probes.held_at_s", "run time of it"},
		{"probes.raw_max_c", "highest single reading on load, degC"},
		{"probes.median_max_c", "highest 60 s median on load, degC"},
		{"probes.after_load_max_c", "highest held level after the load, degC"},
		{"probes.rise_k", "held level above the room, K"},
		{"probes.baseline_c", "before the load, degC"},
		{"probes.last_c", "last good value on load, degC"},
		{"probes.above_limit_s", "time above the limit, s; absent: no limit"},
		{"probes.above_count", "excursions above the limit of at least 10 s"},
		{"probes.above_longest_s", "longest of them, s"},
		{"probes.coverage", "share of good samples on load, 0 to 1"},
		{"probes.longest_gap_s", "longest hole on load, s"},
		{"probes.slope_k_per_h", "slope of its rise at the end of the load, K/h"},
		{"probes.faults", "number of readings with each fault, by fault word"},
		{"probes.note", "for people"},
	}
}

// ambientKeys say what the room did.
func ambientKeys() []key {
	return []key{
		{"ambient", "the room; absent: not measured"},
		{"ambient.channel", "which channel"},
		{"ambient.before_peak_c", "mean of the 15 min before the peak, degC"},
		{"ambient.mean_c", "mean on load, degC"},
		{"ambient.min_c", "lowest on load, degC"},
		{"ambient.max_c", "highest on load, degC"},
		{"ambient.in_band", "share of loaded time inside the band, 0 to 1"},
		{"ambient.band_low_c", "the band's low end, degC"},
		{"ambient.band_high_c", "the band's high end, degC"},
		{"ambient.drift_k_per_h", "drift over the last hour of the load or all of a shorter one, K/h; absent below 20 min"},
		{"ambient.coverage", "share of good samples on load, 0 to 1"},
	}
}

// loadKeys say what the load was.
func loadKeys() []key {
	return []key{
		{"load", "evidence that the load ran"},
		{"load.channel", "power channel; absent: none"},
		{"load.source", "detected, marked, planned, or on_at_start: on already when the run began"},
		{"load.start_s", "run time at which the load began"},
		{"load.end_s", "and ended"},
		{"load.planned_s", "planned length, s"},
		{"load.idle_w", "power before the load, W"},
		{"load.mean_w", "mean on load, W; from the energy counter when there is one"},
		{"load.mean_expanded_w", "its expanded uncertainty, W"},
		{"load.mean_by", "counter or integral"},
		{"load.median_w", "median on load, W"},
		{"load.p5_w", "5th percentile, W"},
		{"load.p95_w", "95th percentile, W"},
		{"load.held_max_w", "highest level held 10 s, W"},
		{"load.energy_j", "energy of the load, J"},
		{"load.energy_expanded_j", "its expanded uncertainty, J"},
		{"load.energy_by", "counter or integral"},
		{"load.energy_coverage", "share of the load that the energy covers, 0 to 1"},
		{"load.loss_share", "power lost from the early to the last third, share of the load step"},
		{"load.pattern", "constant, load_pattern, not_held, thermal_cycling, flat_top, unknown"},
		{"load.held", "power was held"},
		{"load.outcome", "complete, lost, ended_early, running, not_seen"},
		{"load.lost_to", "off, restarted or idle, when lost"},
		{"load.missing_s", "missing from the plan, s"},
		{"load.early_step_w", "fall of power within the first 3 min, W"},
		{"load.dips", "short losses of power on load"},
		{"load.dips.count", "how many"},
		{"load.dips.median_s", "median length, s"},
		{"load.dips.interval_s", "median interval, s"},
		{"load.dips.regularity", "interquartile range over median of the intervals"},
		{"load.dips.mean_depth_w", "mean depth, W"},
		{"load.dips.duty", "share of load time spent in dips, 0 to 1"},
		{"load.dips.onset_c", "hot spot when they begin, median, degC"},
	}
}

// steadyKeys say how settled it was.
func steadyKeys() []key {
	return []key{
		{"steady", "how settled the run was at the end of its load; absent: too short to tell"},
		{"steady.tier", "steady (2 K/h in two windows), settled (6 K/h), rising"},
		{"steady.channel", "probe that settled last"},
		{"steady.slope_k_per_h", "its last slope, K/h"},
		{"steady.slope_se_k_per_h", "standard error of the slope, K/h"},
		{"steady.reached_at_s", "run time at which the tier was reached"},
		{"steady.valid", "power was held, so that flat means settled"},
		{"steady.tau_s", "time constant of the tail, s"},
		{"steady.remaining_k", "rise that was left, K"},
		{"steady.extrapolated_c", "where it would have ended, degC; only where the rules allow it"},
		{"steady.extrapolated_expanded_k", "its expanded uncertainty, K"},
		{"steady.extrapolation_note", "method, or why there is none"},
	}
}

// courseKeys say what happened, in order of time, and how the limits were met.
func courseKeys() []key {
	return []key{
		{"phases", "the phases as they went"},
		{"phases.phase", "waiting, baseline, load, cooldown, ended"},
		{"phases.start_s", "run time at which it began"},
		{"phases.end_s", "and ended"},
		{"phases.began", "now, detected, marked, planned, called, on_at_start"},
		{"limits", "the limits as they were met, each for its worst channel"},
		{"limits.name", "name"},
		{"limits.channel", "worst channel"},
		{"limits.quantity", "value, rise, slope, difference"},
		{"limits.unit", "of bound and value"},
		{"limits.bound", "the limit"},
		{"limits.value", "what was measured; absent: nothing"},
		{"limits.expanded", "its expanded uncertainty"},
		{"limits.guard_band", "width of the guard band"},
		{"limits.outcome", "pass, marginal, fail, void"},
		{"limits.side", "below or above, when marginal"},
		{"limits.severity", "note, fail, stop"},
		{"limits.first_at_s", "run time at which the bound was first exceeded for the dwell"},
		{"findings", "everything noticed, in order of time"},
		{"findings.code", "word for programs"},
		{"findings.severity", "note, warning, void"},
		{"findings.channel", "channel it is about"},
		{"findings.from_s", "run time at which it began"},
		{"findings.to_s", "and ended"},
		{"findings.seen", "what was measured"},
		{"findings.consistent", "what that fits, where it does not follow"},
		{"gaps", "holes in the record"},
		{"gaps.from_s", "run time at which the hole begins"},
		{"gaps.to_s", "and ends"},
		{"gaps.duration_s", "its length, s"},
		{"gaps.cause", "restart, unclean_stop, source, damaged"},
		{"gaps.text", "for people"},
		{"marks", "marks inside the run"},
		{"marks.at_s", "run time"},
		{"marks.text", "what the mark says"},
		{"marks.author", "who"},
	}
}

// evidenceKeys say what the numbers rest on.
func evidenceKeys() []key {
	return []key{
		{"budget", "uncertainty budget of the hot spot's held peak"},
		{"budget.name", "line"},
		{"budget.half_width", "as stated; 0 with a line found by statistics"},
		{"budget.unit", "of the half width"},
		{"budget.distribution", "rectangular, normal, triangular"},
		{"budget.standard_k", "standard uncertainty, K"},
		{"budget.share", "of the combined variance, 0 to 1"},
		{"budget.shared_by", "kind of thing that two results may share"},
		{"budget.shared_key", "which one"},
		{"budget.shared_correlation", "correlation where it is shared, 0 to 1"},
		{"budget.source", "document, or common practice"},
		{"statistics", "further numbers by name"},
		{"statistics.name", "name"},
		{"statistics.channel", "channel; absent: of the run"},
		{"statistics.value", "number"},
		{"statistics.unit", "unit"},
		{"statistics.expanded", "its expanded uncertainty"},
		{"statistics.at_s", "run time it belongs to"},
		{"statistics.text", "for people"},
		{"constants", "every constant that was used, by name"},
		{"settings", "probe map, converters, sample periods, columns and the like"},
	}
}

func writeKeys(w io.Writer) error {
	fmt.Fprint(w, `Keys of a result, as soak evaluate, soak show and archives give it in JSON. Where a
key is missing there is no value; 0 is a value. Times called at_s are run time:
seconds since the start of the run, or the time column of a recording. Expanded
uncertainties have coverage factor k = 2.

`)
	for _, k := range resultKeys() {
		fmt.Fprintf(w, "  %-32s %s\n", k.path, k.text)
	}
	fmt.Fprint(w, "\nConstants of the analysis and their defaults (override: constants in the channel map, --constant):\n\n")
	defaults := constants.Default().Map()
	for _, n := range slices.Sorted(maps.Keys(defaults)) {
		if _, err := fmt.Fprintf(w, "  %-32s %g\n", n, defaults[n]); err != nil {
			return err
		}
	}
	return nil
}
