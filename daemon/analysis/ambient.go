package analysis

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// ambientBefore is the mean of the room over the 15 minutes before a second; absent
// without a value in them.
func (ev *evaluation) ambientBefore(second int64) float64 {
	if ev.roles.ambient < 0 {
		return series.Absent()
	}
	return series.Mean(ev.r.series(ev.roles.ambient, second-int64(ev.c.AmbientBeforeS), second+1))
}

// describeAmbient fills the room during the load.
func (ev *evaluation) describeAmbient() {
	if ev.roles.ambient < 0 || !ev.span.begun() {
		return
	}
	x := ev.r.series(ev.roles.ambient, ev.from, ev.to)
	if len(series.Present(x)) == 0 {
		return
	}
	minutes := series.BlockMedians(x, 60)
	a := &record.Ambient{Channel: ev.channel(ev.roles.ambient).Name, MeanC: series.Mean(x),
		MinC: math.Inf(1), MaxC: math.Inf(-1), BandLowC: ev.c.AmbientLowC, BandHighC: ev.c.AmbientHighC,
		Coverage: ev.acc.cover[ev.roles.ambient].share()}
	window := max(int(ev.c.AmbientMedianS/60), 1)
	in, n := 0, 0
	firstOut := -1
	for i := range minutes {
		m := series.Median(minutes[max(i-window+1, 0) : i+1])
		if !series.Known(m) {
			continue
		}
		a.MinC, a.MaxC = min(a.MinC, m), max(a.MaxC, m)
		n++
		if m >= ev.c.AmbientLowC && m <= ev.c.AmbientHighC {
			in++
		} else if firstOut < 0 {
			firstOut = i
		}
	}
	if n == 0 { // less than half a minute
		return
	}
	a.InBand = float64(in) / float64(n)
	a.DriftKPerH = series.OrNil(ev.drift(minutes))
	ev.res.Ambient = a
	ev.findAmbient(a, firstOut)
	ev.recirculation()
}

// drift is the slope of the room over the last hour on load in K/h; absent below 20
// minutes.
func (ev *evaluation) drift(minutes []float64) float64 {
	var xs, ys []float64
	for i := max(len(minutes)-60, 0); i < len(minutes); i++ {
		if series.Known(minutes[i]) {
			xs, ys = append(xs, float64(i)/60), append(ys, minutes[i])
		}
	}
	if len(xs) < 20 {
		return series.Absent()
	}
	return series.TheilSen(xs, ys, nil)
}

func (ev *evaluation) findAmbient(a *record.Ambient, firstOut int) {
	if a.InBand < ev.c.AmbientInBand {
		at := float64(ev.from + int64(firstOut)*60)
		ev.find(record.Finding{Code: "ambient_band", Severity: "void", Channel: a.Channel, FromS: series.OrNil(at),
			Seen: fmt.Sprintf("the room left its band of %g..%g degC; it was within it for %.0f %% of the load and went from %.1f to %.1f degC",
				a.BandLowC, a.BandHighC, 100*a.InBand, a.MinC, a.MaxC)})
		ev.voids = append(ev.voids, record.Reason{Code: "ambient_band",
			Text: fmt.Sprintf("the room was outside %g..%g degC for %.0f %% of the load, first at %s: the peak does not stand for a room in its band",
				a.BandLowC, a.BandHighC, 100*(1-a.InBand), ev.r.when(int64(at)))})
	}
	if a.DriftKPerH != nil && math.Abs(*a.DriftKPerH) > ev.c.AmbientDriftK {
		over := "the last hour of the load"
		if ev.to-ev.from <= 3600 {
			over = "the load"
		}
		ev.find(record.Finding{Code: "ambient_drift", Severity: "warning", Channel: a.Channel, FromS: series.OrNil(float64(max(ev.to-3600, ev.from))),
			Seen: fmt.Sprintf("the room drifted by %+.1f K/h over %s", *a.DriftKPerH, over)})
	}
}

// recirculation tells when the intake breathes warmer air than the room.
func (ev *evaluation) recirculation() {
	if ev.roles.intake < 0 || ev.roles.intake == ev.roles.ambient || ev.to-ev.from < 600 {
		return
	}
	from := max(ev.to-1800, ev.from)
	d := series.Median(ev.r.series(ev.roles.intake, from, ev.to)) - series.Median(ev.r.series(ev.roles.ambient, from, ev.to))
	ev.statistic("intake_above_room", ev.channel(ev.roles.intake).Name, d, "K")
	if series.Known(d) && d > ev.c.RecirculationK {
		ev.find(record.Finding{Code: "recirculation", Severity: "warning", Channel: ev.channel(ev.roles.intake).Name, FromS: series.OrNil(float64(from)),
			Seen:       fmt.Sprintf("the intake was %.1f K warmer than the room", d),
			Consistent: "consistent with exhaust air that returns to the intake"})
	}
}
