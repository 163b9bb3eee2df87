package analysis

import (
	"fmt"

	"soakrig/daemon/analysis/internal/limiting"
	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/analysis/internal/wording"
	"soakrig/daemon/record"
)

// judgeMeter tells of a load whose power nobody saw for a while: limiting, or a loss of
// the load, would have passed unnoticed there. What was found in the rest stands.
func (ev *evaluation) judgeMeter() {
	l := ev.res.Load
	if ev.roles.power < 0 || l.MedianW == nil || ev.loadedS() < 120 {
		return
	}
	text, ok := ev.meterStuck()
	if !ok {
		_, covered := ev.acc.energy.integral()
		if covered >= ev.c.CoverageMin*ev.loadedS() {
			return
		}
		text = fmt.Sprintf("power was measured for %.0f %% of the load", 100*covered/ev.loadedS())
	}
	if l.Held {
		l.Pattern, l.Held = limiting.PatternUnknown, false
	}
	ev.remarks = append(ev.remarks, record.Reason{Code: "power_unseen",
		Text: text + ": limiting, or a loss of the load, would not have been seen in the rest"})
}

// meterStuck tells of a meter that repeats one number though it resolves finely and had
// moved before, by the rule for probes but over the time in which slopes are taken:
// power can be steady for minutes.
func (ev *evaluation) meterStuck() (text string, stuck bool) {
	rep := &ev.r.grid.repeats[ev.roles.power]
	end := rep.longestAt + rep.longest
	if rep.longest < ev.c.SlopeWindowS/2 || rep.longestAt >= float64(ev.to) || end < float64(ev.from) || rep.changes < 60 {
		return "", false
	}
	typical := (ev.r.grid.last - ev.r.grid.first - rep.longest) / float64(rep.changes)
	if rep.longest <= 60*typical || !(rep.longest > 0) {
		return "", false
	}
	watts := series.Median(ev.r.series(ev.roles.power, int64(rep.longestAt)+1, int64(end)))
	if watts < max(ev.c.OffW, ev.c.OffShare*ev.idleW) {
		return "", false // a unit without power draws the same all the time
	}
	name := ev.channel(ev.roles.power).Name
	seen := fmt.Sprintf("%s gave exactly %s W for %s from %s on", name, wording.FourDigits(watts), wording.Length(int64(rep.longest)), ev.r.when(int64(rep.longestAt)))
	ev.find(record.Finding{Code: "meter_stuck", Severity: "warning", Channel: name, FromS: series.OrNil(rep.longestAt), ToS: series.OrNil(end),
		Seen: seen, Consistent: "consistent with a meter or a link that repeats its last number"})
	return seen, true
}
