package convert

import (
	"fmt"
	"time"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// Correct applies a calibration to a value: gain, offset, and the table's correction
// at the value, linear between its points and constant outside.
func Correct(cal *record.Calibration, value float64) float64 {
	out := value
	if cal.Gain != 0 {
		out = float64(out * cal.Gain)
	}
	out += cal.OffsetK
	if n := len(cal.Table); n > 0 {
		out += interpolate(cal.Table, value)
	}
	return out
}

func interpolate(table []record.Correction, at float64) float64 {
	if at <= table[0].ReferenceC {
		return table[0].CorrectionK
	}
	for i := 1; i < len(table); i++ {
		a, b := table[i-1], table[i]
		if at <= b.ReferenceC {
			share := (at - a.ReferenceC) / (b.ReferenceC - a.ReferenceC)
			return a.CorrectionK + float64(share*(b.CorrectionK-a.CorrectionK))
		}
	}
	return table[len(table)-1].CorrectionK
}

// outsideK is how far beyond its table a result may lie before it is worth a word
// (common practice).
const outsideK = 10

// Outside says whether value lies more than 10 K outside the calibration's table.
func Outside(cal *record.Calibration, value float64) bool {
	if cal == nil || len(cal.Table) == 0 {
		return false
	}
	return value < cal.Table[0].ReferenceC-outsideK || value > cal.Table[len(cal.Table)-1].ReferenceC+outsideK
}

// Expired says whether the calibration's last valid day lies before day. An empty
// date never expires; one that is no date always has.
func Expired(cal *record.Calibration, day time.Time) bool {
	if cal == nil || cal.ValidUntil == "" {
		return false
	}
	if _, err := time.Parse(time.DateOnly, cal.ValidUntil); err != nil {
		return true
	}
	return day.Format(time.DateOnly) > cal.ValidUntil
}

// Warnings are what a reader of value should know about how the channel's value
// comes about, on a day: a calibration that has run out or does not reach the value,
// a chip that can't be corrected, a tolerance class or a cold junction that the budget
// can't hold. value is calibrated, in the channel's unit. nil: nothing to say.
func Warnings(ch *record.Channel, value float64, day time.Time) []string {
	var w []string
	say := func(format string, args ...any) { w = append(w, fmt.Sprintf(format, args...)) }
	cal := ch.Calibration
	if Expired(cal, day) {
		say("calibration %s was valid until %s: check the channel again", cal.ID, cal.ValidUntil)
	}
	if Outside(cal, value) {
		say("%.1f %s lies more than %d K outside the table of calibration %s (%g to %g): the correction at its end is used",
			value, ch.Unit, outsideK, cal.ID, cal.Table[0].ReferenceC, cal.Table[len(cal.Table)-1].ReferenceC)
	}
	if thermocouple(ch.Converter.Law) {
		w = append(w, coupleWarnings(ch, value)...)
	}
	return w
}

func coupleWarnings(ch *record.Channel, value float64) (w []string) {
	say := func(format string, args ...any) { w = append(w, fmt.Sprintf(format, args...)) }
	if ch.Converter.Law == record.LawFixedSlopeNoCold {
		say("the %s can't be corrected: it adds a cold junction that it does not tell, with a fixed slope; its uncertainty carries the error", ch.Converter.Model)
		if ch.Cold.From == "channel" || ch.Cold.From == "fixed" {
			say("the cold junction of rig.yaml is not used: the chip does not tell the one that it would replace")
		}
	} else if ch.Cold.From == "fixed" && ch.Cold.FixedC != nil && *ch.Cold.FixedC != 0 {
		say("the cold junction is taken as %g degC, not measured: %g K are allowed for it", *ch.Cold.FixedC, assumedColdK)
	}
	couple, err := its90.ParseType(ch.Couple)
	if err != nil {
		return w
	}
	if couple == its90.A || couple == its90.C {
		say("type %s: %s", ch.Couple, couple.Provenance())
	}
	if ch.Class == "" {
		say("no tolerance class is stated: the wire is not part of the uncertainty")
		return w
	}
	class, err := its90.ParseClass(ch.Class)
	if err != nil {
		return w
	}
	switch lowC, highC, ok := classRange(couple, class); {
	case !ok:
		say("tolerance class %s does not cover type %s: the wire is not part of the uncertainty", ch.Class, ch.Couple)
	case value < lowC || value > highC:
		say("%.1f degC is outside %g to %g degC, where class %s promises something: the tolerance at the end is used", value, lowC, highC, ch.Class)
	}
	return w
}
