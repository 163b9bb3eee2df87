package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// Words of a probe's health.
const (
	healthGood       = "good"
	healthIncomplete = "incomplete"
	healthLost       = "lost"
	healthDetached   = "detached"
	healthNever      = "never_attached"
	healthReversed   = "reversed"
	healthStuck      = "stuck"
	healthPickup     = "pickup"
	healthAbsent     = "absent"
	healthUnjudged   = "unjudged" // no load, in which a probe is judged
)

// blockHealth is the block length in seconds in which rises are compared.
const blockHealth = 10

// probeState is what is known of a probe while a recording is judged.
type probeState struct {
	health   string
	counts   bool
	note     string
	trust    string    // what follows for the verdict; empty: nothing
	baseline float64   // before the load
	last     float64   // last value on load
	rise     []float64 // block medians of the rise over the room, on load
}

// sound tells whether the probe measured its place to the end.
func (p *probeState) sound() bool {
	return p.health == healthGood || p.health == healthUnjudged || p.health == healthPickup || p.health == healthIncomplete
}

// hides tells whether the probe may have missed a higher peak.
func (p *probeState) hides() bool {
	return p.health != healthGood && p.health != healthUnjudged && p.health != healthPickup && p.note != noteExcluded
}

const noteExcluded = "left out by a mark"

// judgeHealth judges every probe.
func (ev *evaluation) judgeHealth() {
	ev.probes = make([]probeState, len(ev.roles.probes))
	for i, p := range ev.roles.probes {
		s := &ev.probes[i]
		s.health, s.counts = healthGood, true
		before := min(ev.from, ev.to)
		if !ev.span.begun() {
			_, before = ev.r.bounds()
		}
		s.baseline = series.Median(ev.r.series(p, before-int64(ev.c.ZeroWindowS), before))
		x := ev.r.series(p, ev.from, ev.to)
		s.last = series.Absent()
		for j := len(x) - 1; j >= 0 && !series.Known(s.last); j-- {
			s.last = x[j]
		}
		s.rise = ev.rises(i, x)
	}
	for i := range ev.probes {
		ev.judgeProbe(i)
	}
	for i := range ev.probes {
		ev.setCounts(i)
	}
	ev.zeroSpread()
	ev.grounded()
}

// rises are block medians of a probe above the room; above its own start where
// there is no room.
func (ev *evaluation) rises(i int, x []float64) []float64 {
	out := series.BlockMedians(x, blockHealth)
	base := ev.probes[i].baseline
	if !series.Known(base) && len(out) > 0 {
		base = out[0]
	}
	for b := range out {
		room := base
		if s := ev.from - ev.r.base + int64(b*blockHealth); s < int64(len(ev.r.ambient)) && series.Known(ev.r.ambient[s]) {
			room = ev.r.ambient[s]
		}
		out[b] -= room
	}
	return out
}

// others is the median of the other probes' numbers, with how many there were.
func (ev *evaluation) others(i int, of func(j int) float64) (float64, int) {
	var x []float64
	for j := range ev.probes {
		if v := of(j); j != i && series.Known(v) {
			x = append(x, v)
		}
	}
	return series.MedianInPlace(x), len(x)
}

// judgeProbe finds the first thing that is wrong with a probe, the gravest kinds
// first.
func (ev *evaluation) judgeProbe(i int) {
	s := &ev.probes[i]
	channel := ev.roles.probes[i]
	cover := &ev.acc.cover[channel]
	if ev.to <= ev.from {
		s.health = healthUnjudged
		return
	}
	end := float64(ev.to - 1)
	switch {
	case !cover.seen:
		s.health, s.trust = healthAbsent, "gave no value on load: what its place did is not known"
		ev.findProbe(i, "probe_absent", "void", float64(ev.from), "gave no value on load"+ev.faultText(channel), "")
	case ev.deaf(i) && ev.judgeStuck(i):
	case ev.judgeAttached(i):
	case ev.judgeStuck(i):
	case end-float64(cover.lastGood) >= ev.c.LostS:
		s.health = healthLost
		s.trust = fmt.Sprintf("gave no value from %s to the end of the load: a higher peak there would not have been seen", ev.r.when(cover.lastGood+1))
		ev.findProbe(i, "probe_lost", "void", float64(cover.lastGood+1),
			fmt.Sprintf("gave no value to the end of the load%s; its last was %.1f degC", ev.faultText(channel), s.last), "")
	case ev.judgeDetached(i):
	case cover.share() < ev.c.CoverageMin || float64(cover.longestGap(1)) > ev.c.GapMaxS:
		s.health = healthIncomplete
		s.trust = fmt.Sprintf("was seen for %.1f %% of the load: a higher peak in its holes would not have been seen", 100*cover.share())
		ev.findProbe(i, "coverage", "void", float64(ev.from),
			fmt.Sprintf("has values for %.1f %% of the load, longest hole %d s%s", 100*cover.share(), cover.longestGap(1), ev.faultText(channel)), "")
	default:
		ev.judgePickup(i)
	}
}

func (ev *evaluation) findProbe(i int, code, severity string, at float64, seen, consistent string) {
	name := ev.channel(ev.roles.probes[i]).Name
	ev.find(record.Finding{Code: code, Severity: severity, Channel: name, FromS: series.OrNil(at), Seen: name + " " + seen, Consistent: consistent})
	if ev.probes[i].note == "" {
		ev.probes[i].note = seen
	}
}

func (ev *evaluation) faultText(channel int) string {
	word, most := "", 0
	for bit, n := range ev.r.grid.faults[channel] {
		if n > most {
			word, most = record.Faults(1<<bit).String(), n
		}
	}
	if most == 0 {
		return ""
	}
	return fmt.Sprintf(" (fault %s, %d readings)", word, most)
}

// setCounts decides whether a probe counts for the peak. A suspected probe counts;
// one that never measured the board does not, nor one that a mark left out.
func (ev *evaluation) setCounts(i int) {
	s, name := &ev.probes[i], ev.channel(ev.roles.probes[i]).Name
	if reason, out := ev.r.excluded[name]; out {
		s.counts, s.note = false, noteExcluded
		text := "left out by a mark"
		if reason != "" {
			text += ": " + reason
		}
		ev.find(record.Finding{Code: "probe_excluded", Severity: "note", Channel: name, Seen: name + " was " + text})
		ev.remarks = append(ev.remarks, record.Reason{Code: "probe_excluded", Text: fmt.Sprintf("%s was %s; the result rests on %d of %d probes", name, text, len(ev.probes)-len(ev.r.excluded), len(ev.probes))})
		return
	}
	switch s.health {
	case healthNever, healthReversed, healthAbsent:
		s.counts = false
	}
	code := map[string]string{healthIncomplete: "coverage", healthLost: "probe_lost", healthDetached: "probe_detached",
		healthNever: "probe_never_attached", healthReversed: "probe_reversed", healthStuck: "probe_stuck", healthAbsent: "probe_absent"}[s.health]
	if code == "" {
		return
	}
	ev.voids = append(ev.voids, record.Reason{Code: code, Text: name + " " + s.trust})
}

// judgeAttached compares a probe's own rise with the others' ten minutes into the
// load, or at its end if that is earlier: one that hardly rises lies in air, one
// that falls has its wires swapped.
func (ev *evaluation) judgeAttached(i int) bool {
	b := min(int(ev.c.HealthAtS)/blockHealth, len(ev.probes[i].rise)-1)
	if b*blockHealth < 300 || b < 6 {
		return false
	}
	own := func(j int) float64 {
		r := ev.probes[j].rise
		if len(r) <= b {
			return series.Absent()
		}
		start := ev.probes[j].baseline
		room := series.Absent()
		if s := ev.from - ev.r.base - 1; s >= 0 {
			room = ev.r.ambient[s]
		}
		if !series.Known(start) || !series.Known(room) {
			return series.Median(r[b-5:b+1]) - series.Median(r[:1])
		}
		return series.Median(r[b-5:b+1]) - (start - room)
	}
	mine := own(i)
	rest, n := ev.others(i, own)
	if !series.Known(mine) || !series.Known(rest) || rest < ev.c.HealthRiseK {
		return false
	}
	at := float64(ev.from + int64(b*blockHealth))
	seen := fmt.Sprintf("changed by %+.1f K by %s while the others rose by %.1f K", mine, ev.r.when(int64(at)), rest)
	switch {
	case mine < ev.c.ReversedShare*rest:
		ev.probes[i].health, ev.probes[i].trust = healthReversed, "fell while the board warmed: none of its values is the board's"
		ev.findProbe(i, "probe_reversed", "void", at, seen, "consistent with swapped wires at the converter")
	case mine < ev.c.NeverShare*rest && n >= 2:
		ev.probes[i].health, ev.probes[i].trust = healthNever, "never warmed with the board: none of its values is the board's"
		ev.findProbe(i, "probe_never_attached", "void", at, seen, "consistent with a bead in air, not on the board")
	default:
		return false
	}
	return true
}

// deaf tells whether a probe gave one number through nearly all of the load: even a bead
// in air does not.
func (ev *evaluation) deaf(i int) bool {
	return ev.r.grid.repeats[ev.roles.probes[i]].longest >= 0.9*ev.loadedS()
}

// judgeStuck finds a converter that repeats one value exactly though it resolves
// finely, or though the others move.
func (ev *evaluation) judgeStuck(i int) bool {
	rep := &ev.r.grid.repeats[ev.roles.probes[i]]
	if rep.longest < ev.c.StuckS || rep.longestAt >= float64(ev.to) || rep.longestAt+rep.longest < float64(ev.from) {
		return false // before or after the load it does not touch the peak
	}
	from, to := int64(rep.longestAt), int64(rep.longestAt+rep.longest)
	typical := series.Absent()
	if rep.changes > 0 {
		typical = (ev.r.grid.last - ev.r.grid.first - rep.longest) / float64(rep.changes)
	}
	moved, stir := 0.0, len(ev.roles.probes) == 1
	for j, p := range ev.roles.probes {
		if j == i {
			continue
		}
		x := series.Present(ev.r.series(p, max(from, ev.r.base), to+1))
		for k := 1; k < len(x) && !stir; k++ {
			stir = x[k] != x[0]
		}
		if len(x) > 1 {
			n := min(10, len(x)/2)
			moved = max(moved, math.Abs(series.Median(x[len(x)-n:])-series.Median(x[:n])))
		}
	}
	fine := rep.changes >= 20 && rep.smallest <= 0.11 && rep.longest > 30*typical
	if !stir || !fine && moved < ev.c.HealthRiseK {
		return false // where no probe stirs the recording is smooth, not stuck
	}
	ev.probes[i].health = healthStuck
	ev.probes[i].trust = fmt.Sprintf("can't be trusted from %s on: it repeated one value for %s", ev.r.when(from), wording.Length(to-from))
	ev.findProbe(i, "probe_stuck", "void", rep.longestAt, fmt.Sprintf("gave exactly %s degC for %s while the others moved by %.1f K",
		wording.FourDigits(ev.valueAt(i, from+1)), wording.Length(int64(rep.longest)), moved), "consistent with a converter that stopped converting")
	return true
}

func (ev *evaluation) valueAt(i int, second int64) float64 {
	return series.Median(ev.r.series(ev.roles.probes[i], second-1, second+3))
}

// judgeDetached looks for the moment at which a probe's share of the others' rise
// falls and stays down while the others stay up.
func (ev *evaluation) judgeDetached(i int) bool {
	share, rest := ev.shares(i)
	if share == nil {
		return false
	}
	const before = 6 // blocks
	within := int(ev.c.DetachedWithinS) / blockHealth
	best, bestAt := 0.0, -1
	for b := before; b+within+3 <= len(share); b++ {
		pre := series.Median(share[b-before : b])
		post := series.Median(share[b+within : min(b+within+before, len(share))])
		restPre, restPost := series.Median(rest[b-before:b]), series.Median(rest[b+within:min(b+within+before, len(rest))])
		if !series.Known(pre) || !series.Known(post) || restPre < 2*ev.c.HealthRiseK || restPost < 0.85*restPre {
			continue
		}
		fall := (pre - post) / math.Abs(pre)
		drop := float64(pre*restPre) - float64(post*restPost)
		if pre <= 0 || fall < ev.c.DetachedShare || (pre-post)*restPre < ev.c.DetachedK || drop < ev.c.DetachedK/2 {
			continue
		}
		if later := series.Median(share[b+within:]); later > pre-float64(0.75*(pre-post)) {
			continue
		}
		if fall > best {
			best, bestAt = fall, b
		}
	}
	if bestAt < 0 {
		return false
	}
	at, pre := ev.steepest(share, bestAt, within), series.Median(share[bestAt-before:bestAt])
	second := ev.from + int64(at*blockHealth)
	held := ev.heldBefore(i, second)
	ev.probes[i].health = healthDetached
	ev.probes[i].trust = fmt.Sprintf("can't be trusted from %s on", ev.r.when(second))
	if series.Known(held) {
		ev.probes[i].trust += fmt.Sprintf("; the %.1f degC that it held before count, and its place may have become hotter since", held)
	}
	ev.findProbe(i, "probe_detached", "void", float64(second),
		fmt.Sprintf("fell from %.0f %% to %.0f %% of the others' rise and stayed down; before, it had held %.1f degC", 100*pre, 100*(1-best)*pre, held), "consistent with a bead that came off the board")
	return true
}

// steepest is the block with the largest fall of a share near one.
func (ev *evaluation) steepest(share []float64, from, within int) int {
	at, most := from, 0.0
	for b := max(from-1, 1); b <= from+within+6 && b < len(share); b++ {
		if d := share[b-1] - share[b]; d > most {
			at, most = b, d
		}
	}
	return at
}

// shares is a probe's rise as a share of the others' median rise, and that median,
// per block; nil with fewer than two other probes.
func (ev *evaluation) shares(i int) (share, rest []float64) {
	n := len(ev.probes[i].rise)
	share, rest = make([]float64, n), make([]float64, n)
	for b := range n {
		m, others := ev.others(i, func(j int) float64 {
			if ev.probes[j].health == healthNever || ev.probes[j].health == healthReversed || b >= len(ev.probes[j].rise) {
				return series.Absent()
			}
			return ev.probes[j].rise[b]
		})
		rest[b], share[b] = m, series.Absent()
		if others >= 2 && m >= ev.c.HealthRiseK {
			share[b] = ev.probes[i].rise[b] / m
		}
	}
	if len(series.Present(share)) == 0 {
		return nil, nil
	}
	return share, rest
}

func (ev *evaluation) heldBefore(i int, second int64) float64 {
	h := newHold(ev.c.PeakHoldS, ev.c.PeakGood)
	col := ev.r.columns[ev.roles.probes[i]]
	for s := ev.from; s < second; s++ {
		if c := col[s-ev.r.base]; series.Known(c.v) {
			h.push(s, c.v, int64(c.stride))
		}
	}
	return h.best
}

// zeroSpread compares the probes of a unit that is off before its load.
func (ev *evaluation) zeroSpread() {
	idle := ev.r.det.idleW
	if len(ev.probes) < 2 || !ev.span.begun() || (series.Known(idle) && idle >= ev.c.OffW) {
		return
	}
	low, high, n := math.Inf(1), math.Inf(-1), 0
	for i := range ev.probes {
		if b := ev.probes[i].baseline; series.Known(b) {
			low, high, n = min(low, b), max(high, b), n+1
		}
	}
	if n < 2 {
		return
	}
	ev.statistic("zero_spread", "", high-low, "K")
	if high-low > ev.c.ZeroSpreadK && series.Known(idle) {
		ev.find(record.Finding{Code: "zero_spread", Severity: "warning", FromS: series.OrNil(float64(ev.from)),
			Seen: fmt.Sprintf("before power the probes differed by %.1f K, more than %g K", high-low, ev.c.ZeroSpreadK)})
	}
}

// grounded tells of probes whose converter saw a path to ground or supply.
func (ev *evaluation) grounded() {
	for i, p := range ev.roles.probes {
		f := &ev.r.grid.faults[p]
		n := 0
		for bit := range f {
			if record.Faults(1<<bit)&(record.ShortToGround|record.ShortToSupply) != 0 {
				n += f[bit]
			}
		}
		if n > 0 {
			ev.findProbe(i, "probe_grounded", "warning", float64(ev.from),
				fmt.Sprintf("was reported shorted by its converter in %d readings", n), "consistent with a bead that touches a live or grounded part")
		}
	}
}
