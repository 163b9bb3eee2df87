package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// match compares the conditions of the rows that rank with the first of them. It
// returns what is not overridden.
func (cmp *Comparison) match(o Options, c constants.Set) []Mismatch {
	base := slices.IndexFunc(cmp.Rows, func(r Row) bool { return r.Ranked })
	var refused []Mismatch
	for i := range cmp.Rows {
		if !cmp.Rows[i].Ranked {
			continue
		}
		for _, m := range cmp.mismatches(base, i, c) {
			m.Overridden = slices.Contains(o.Override, "all") || slices.Contains(o.Override, m.Key)
			cmp.Mismatches = append(cmp.Mismatches, m)
			if !m.Overridden {
				refused = append(refused, m)
			}
		}
	}
	return refused
}

// mismatches lists what two rows do not share. A row with several runs is also
// compared within itself through its first run.
func (cmp *Comparison) mismatches(a, b int, c constants.Set) []Mismatch {
	var out []Mismatch
	seen := make(map[string]bool)
	add := func(key, format string, args ...any) {
		if !seen[key] {
			seen[key] = true
			out = append(out, Mismatch{Key: key, A: a, B: b, Text: fmt.Sprintf(format, args...)})
		}
	}
	x := &cmp.Rows[a].results[0]
	for i := range cmp.Rows[b].results {
		y := &cmp.Rows[b].results[i]
		if y == x {
			continue
		}
		na, nb := cmp.Rows[a].name(), cmp.Rows[b].name()
		for _, key := range mustMatch(x, y) {
			if va, vb := condition(x, key), condition(y, key); va != vb {
				add(key, "%s has %q, %s has %q", na, va, nb, vb)
			}
		}
		if x.Algorithm != y.Algorithm {
			add("algorithm", "%s by %s, %s by %s", na, x.Algorithm, nb, y.Algorithm)
		}
		if hx, hy := x.Constants["peak_hold_s"], y.Constants["peak_hold_s"]; hx != hy {
			add("peak_hold_s", "%s %g s, %s %g s", na, hx, nb, hy)
		}
		if len(x.Probes) != len(y.Probes) {
			add("probes", "%s has %d probes, %s has %d", na, len(x.Probes), nb, len(y.Probes))
		}
		matchLoad(x, y, na, nb, c, add)
		matchRoom(x, y, na, nb, c, add)
		if tx, ty := tierName(x), tierName(y); tx != ty && tx != "" && ty != "" && x.Peak != nil && y.Peak != nil {
			add("settled", "%s was %s, %s was %s", na, tx, nb, ty)
		}
	}
	return out
}

func tierName(r *record.Result) string {
	if r.Steady == nil {
		return ""
	}
	return r.Steady.Tier
}

// mustMatch are the keys that either run asks to match.
func mustMatch(x, y *record.Result) []string {
	keys := slices.Clone(x.MustMatch)
	for _, k := range y.MustMatch {
		if !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	return keys
}

func condition(r *record.Result, key string) string {
	if v, ok := r.Conditions[key]; ok {
		return v
	}
	if v, ok := r.Settings[key]; ok {
		return v
	}
	if strings.EqualFold(key, "setup") {
		return r.Setup
	}
	return ""
}

func matchLoad(x, y *record.Result, na, nb string, c constants.Set, add func(string, string, ...any)) {
	if x.Load == nil || y.Load == nil {
		return
	}
	lx, ly := series.OrAbsent(x.Load.PlannedS), series.OrAbsent(y.Load.PlannedS)
	if !series.Known(lx) || !series.Known(ly) {
		lx, ly = loadLength(x.Load), loadLength(y.Load)
	}
	if series.Known(lx) && series.Known(ly) && math.Abs(lx-ly) > c.MatchLoadShare*max(lx, ly) {
		add("load_length", "%s %s, %s %s", na, wording.Length(int64(lx)), nb, wording.Length(int64(ly)))
	}
}

func matchRoom(x, y *record.Result, na, nb string, c constants.Set, add func(string, string, ...any)) {
	if x.Ambient == nil || y.Ambient == nil {
		return
	}
	if d := math.Abs(x.Ambient.MeanC - y.Ambient.MeanC); d > c.MatchAmbientK {
		add("ambient", "%s at %.1f degC, %s at %.1f degC", na, x.Ambient.MeanC, nb, y.Ambient.MeanC)
	}
}

// footnotes prints every mismatch and every row without a place.
func (cmp *Comparison) footnotes() {
	for _, m := range cmp.Mismatches {
		text := m.Key + ": " + m.Text
		if m.Overridden {
			text += " (overridden)"
		}
		cmp.footnote(text, m.B)
	}
	for i := range cmp.Rows {
		r := &cmp.Rows[i]
		if r.Ranked {
			continue
		}
		for _, n := range cmp.NotRanked {
			if strings.HasPrefix(n.Text, r.name()+" ") {
				cmp.footnote("no place: "+n.Text, i)
				break
			}
		}
	}
}

func (cmp *Comparison) footnote(text string, row int) {
	i := slices.Index(cmp.Footnotes, text)
	if i < 0 {
		i = len(cmp.Footnotes)
		cmp.Footnotes = append(cmp.Footnotes, text)
	}
	cmp.Rows[row].Marks = append(cmp.Rows[row].Marks, i+1)
}
