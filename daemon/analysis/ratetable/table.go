package main

import (
	"bufio"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"soakrig/daemon/analysis"
)

// writeTable prints all tables as Markdown.
func writeTable(to io.Writer, ts []tally, seeds int, first uint64) error {
	w := bufio.NewWriter(to)
	fmt.Fprintf(w, "# How often the analysis sees what is there\n\n")
	fmt.Fprintf(w, "Made by `go run ./daemon/analysis/ratetable -seeds %d -first %d` with %s. Simulated soaks of an hour (see\n`internal/traces`), 8 probes at 2 Hz, one meter at 1 Hz, unless the row says otherwise. A simulator ranks methods and\nsizes thresholds; it does not replace trials on a rig. Thresholds were looked at on seeds from 100001 on, so that seeds\nbelow are a hold-out.\n", seeds, first, analysis.Version)
	powerTable(w, ts)
	peakTable(w, ts)
	healthTable(w, ts)
	extrapolationTable(w, ts)
	return w.Flush()
}

func pct(n, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.4g %%", 100*float64(n)/float64(of))
}

func powerTable(w io.Writer, ts []tally) {
	fmt.Fprint(w, "\n## Load and limiting\n\n`silent`: runs in which a limiter acted or 3 % of the step or more was lost and nothing was said. `3 % losses said`: of\nthe runs that truly lost 3 % or more, those in which limiting, power not held or an early step was reported.\n\n")
	fmt.Fprintln(w, "| kind | runs | load found | worst edge error, start / end s | thermal | not held | pattern | early step | cooling changed | silent | 3 % losses said (thermal, not held) | lost, class right |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|---|---|---|---|---|---|")
	for _, t := range ts {
		if t.kind.sick {
			continue
		}
		lost := "-"
		if t.lost > 0 || strings.HasPrefix(t.kind.name, "crash") {
			lost = pct(t.lost, t.runs) + ", " + pct(t.lostRight, t.runs)
		}
		fmt.Fprintf(w, "| %s | %d | %s | %.0f / %.0f | %s | %s | %s | %s | %s | %d | %s | %s |\n", t.kind.name, t.runs, pct(t.found, t.runs), t.start, t.end,
			pct(t.thermal, t.runs), pct(t.notHeld, t.runs), pct(t.pattern, t.runs), pct(t.early, t.runs), pct(t.cooling, t.runs), t.silent, losses(t), lost)
	}
}

func losses(t tally) string {
	if t.lossy == 0 {
		return "-"
	}
	return fmt.Sprintf("%s of %d (%s, %s)", pct(t.lossyMentioned, t.lossy), t.lossy, pct(t.lossyThermal, t.lossy), pct(t.lossyNotHeld, t.lossy))
}

func peakTable(w io.Writer, ts []tally) {
	fmt.Fprint(w, "\n## Peak held 10 s\n\nAgainst the true level held 10 s on the hottest place; two places within 0.1 K count as one.\n\n")
	fmt.Fprintln(w, "| kind | hot spot right | mean error K | worst error K |")
	fmt.Fprintln(w, "|---|---|---|---|")
	for _, t := range ts {
		if t.hotRuns > 0 {
			fmt.Fprintf(w, "| %s | %s | %+.2f | %.2f |\n", t.kind.name, pct(t.hotRight, t.hotRuns), t.bias/float64(t.hotRuns), t.biasWorst)
		}
	}
}

func healthTable(w io.Writer, ts []tally) {
	fmt.Fprint(w, "\n## Probe health\n\n`false`: healthy probes that were called anything but good.\n\n")
	fmt.Fprintln(w, "| kind | called | worst time error s | false |")
	fmt.Fprintln(w, "|---|---|---|---|")
	all, wrong := 0, 0
	for _, t := range ts {
		all, wrong = all+t.healthyProbes, wrong+t.falseHealth
		if !t.kind.sick {
			continue
		}
		var called []string
		for _, h := range slices.Sorted(maps.Keys(t.sick)) {
			called = append(called, h+" "+pct(t.sick[h], t.runs))
		}
		at := "-"
		if strings.Contains(t.kind.name, "detached") || strings.Contains(t.kind.name, "open") || strings.Contains(t.kind.name, "stuck") {
			at = fmt.Sprintf("%.0f", t.faultTime)
		}
		fmt.Fprintf(w, "| %s | %s | %s | %d of %d |\n", t.kind.name, strings.Join(called, ", "), at, t.falseHealth, t.healthyProbes)
	}
	fmt.Fprintf(w, "\nOver all kinds, with and without a fault, %d of %d healthy probes were called anything but good.\n", wrong, all)
}

func extrapolationTable(w io.Writer, ts []tally) {
	fmt.Fprint(w, "\n## Extrapolation of the hot spot\n\nAgainst the true rise without end at full load. `cover`: the asymptote lies within the stated expanded uncertainty of\nthe extrapolation alone.\n\n| kind | extrapolated | mean error K | cover |\n|---|---|---|---|\n")
	for _, t := range ts {
		if t.extrapolated > 0 {
			fmt.Fprintf(w, "| %s | %d of %d | %+.2f | %s |\n", t.kind.name, t.extrapolated, t.runs, t.extrapolationBias/float64(t.extrapolated), pct(t.covered, t.extrapolated))
		}
	}
}
