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
		if px, py := otherPlaces(x, y); px != py {
			add("probe_places", "%s has probes at: %s; %s at: %s", na, px, nb, py)
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

// otherPlaces tells where the probes of two runs sit differently; empty: nowhere, or not
// every probe tells its place.
func otherPlaces(x, y *record.Result) (onlyX, onlyY string) {
	px, py := probePlaces(x), probePlaces(y)
	if px == nil || py == nil || len(px) != len(py) {
		return "", ""
	}
	only := func(a, b []string) string {
		return strings.Join(slices.DeleteFunc(slices.Clone(a), func(p string) bool { return slices.Contains(b, p) }), ", ")
	}
	return only(px, py), only(py, px)
}

// probePlaces are the places of all probes; nil: not every probe tells its own.
func probePlaces(r *record.Result) (places []string) {
	for i := range r.Probes {
		if r.Probes[i].Place == "" {
			return nil
		}
		places = append(places, r.Probes[i].Place)
	}
	return places
}

func matchLoad(x, y *record.Result, na, nb string, c constants.Set, add func(string, string, ...any)) {
	switch {
	case x.Load == nil && y.Load == nil:
		return
	case y.Load == nil:
		add("load_seen", "%s was loaded, of %s that is not known", na, nb)
		return
	case x.Load == nil:
		add("load_seen", "%s was loaded, of %s that is not known", nb, na)
		return
	}
	lx, ly := series.OrAbsent(x.Load.PlannedS), series.OrAbsent(y.Load.PlannedS)
	if !series.Known(lx) || !series.Known(ly) {
		lx, ly = loadLength(x.Load), loadLength(y.Load)
	}
	if series.Known(lx) && series.Known(ly) && math.Abs(lx-ly) > c.MatchLoadShare*max(lx, ly) {
		add("load_length", "%s %s, %s %s", na, wording.Length(int64(lx)), nb, wording.Length(int64(ly)))
	}
	if wx, wy := patternText(x.Load.Pattern), patternText(y.Load.Pattern); wx != wy && wx != "" && wy != "" {
		add("load_pattern", "the power of %s %s, that of %s %s", na, wx, nb, wy)
	}
}

// patternText words the patterns of power by which loads differ; empty: limiting, which is
// the unit's own, and a power that nobody measured, which tells nothing.
func patternText(pattern string) string {
	switch pattern {
	case "constant":
		return "was constant"
	case "load_pattern":
		return "followed a pattern"
	case "not_held":
		return "was not held"
	}
	return ""
}

func matchRoom(x, y *record.Result, na, nb string, c constants.Set, add func(string, string, ...any)) {
	switch {
	case x.Ambient == nil && y.Ambient == nil:
		return
	case y.Ambient == nil:
		add("ambient", "%s at %.1f degC, %s without a room temperature", na, x.Ambient.MeanC, nb)
		return
	case x.Ambient == nil:
		add("ambient", "%s at %.1f degC, %s without a room temperature", nb, y.Ambient.MeanC, na)
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
	left := cmp.NotRanked // in the order of the rows
	for i := range cmp.Rows {
		if !cmp.Rows[i].Ranked {
			cmp.footnote("no place: "+left[0].Text, i)
			left = left[1:]
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
