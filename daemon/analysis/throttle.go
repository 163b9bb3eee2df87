package analysis

import (
	"fmt"

	"soakrig/daemon/record"
)

// judgePower says whether power was held over the load, and if not, how it went.
func (ev *evaluation) judgePower() {
	l := ev.res.Load
	if ev.roles.power < 0 || l.MedianW == nil || ev.loadedS() < 120 || !(ev.stepW > 0) {
		return
	}
	l.Pattern, l.Held = "constant", true
	loss := ev.loss()
	l.LossShare = number(loss)
	if has(loss) && loss >= ev.c.LossShare {
		l.Pattern, l.Held = "not_held", false
		ev.find(record.Finding{Code: "power_not_held", Severity: "warning", Channel: l.Channel, FromS: number(float64(ev.from)),
			Seen: fmt.Sprintf("power over the last third of the load was %.1f %% of the step below the first minutes", 100*loss), Consistent: "cause not shown"})
	}
}

// loss is the power lost from minutes 0.5..15 to the last third, as a share of the
// step; absent for a short load.
func (ev *evaluation) loss() float64 {
	n := ev.to - ev.from
	if n < 600 {
		return absent
	}
	p := ev.roles.power
	early := meanOf(ev.r.series(p, ev.from+30, ev.from+min(900, n/3)))
	late := meanOf(ev.r.series(p, ev.to-n/3, ev.to))
	return (early - late) / ev.stepW
}
