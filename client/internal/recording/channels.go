package recording

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers/its90"
)

// What one code of a foreign EMF or cold junction is worth: fine enough to lose
// nothing, coarse enough for any instrument's range.
const (
	emfVoltsPerCode = 1e-9
	coldCPerCode    = 1e-6
	valueCPerCode   = 1e-6
)

// channels checks the channels and builds the layout.
func (c *checker) channels() {
	names := c.f.Channels.Names
	if len(names) == 0 {
		c.doc.Addf("channels", "there are none: name at least one, such as channels: {vr1: {column: T1, role: probe, unit: degC}}")
		return
	}
	c.m.Layout = record.Layout{ID: 1, Rig: c.f.Rig}
	taken, probes := map[string]string{}, 0
	for i, name := range names {
		in, key := c.f.Channels.Values[name], "channels."+name
		if in.Column == "" {
			in.Column = name
		}
		if other, ok := taken[in.Column]; ok {
			c.doc.Addf(key+".column", "column %q is already used by %s", in.Column, other)
		}
		taken[in.Column] = name
		ch, out := c.channel(key, name, in)
		if ch.Role == record.RoleProbe {
			probes++
		}
		c.m.Channels = append(c.m.Channels, out)
		c.m.Layout.Channels = append(c.m.Layout.Channels, ch)
		c.m.Layout.Sources = append(c.m.Layout.Sources, record.Source{Name: name, Driver: "recording", Channels: []int{i}})
	}
	if probes == 0 {
		c.doc.Addf("channels", "none has role: probe, so there is no peak to report")
	}
}

// channel checks one channel: kind and unit first, since all else depends on them.
func (c *checker) channel(key, name string, in *channel) (record.Channel, Channel) {
	ch := record.Channel{Name: name, Role: record.Role(in.Role), Place: in.Place, Class: in.Class, Spool: in.Spool}
	out := Channel{Name: name, Column: in.Column, MinC: math.Inf(-1)}
	if in.Role == "" {
		c.doc.Addf(key, "has no role: say which (%s)", strings.Join(roleWords(), ", "))
	} else {
		c.word(key+".role", in.Role, roleWords())
	}
	c.couple(key, in, &ch)
	u, ok := c.unitOf(key, in, &ch)
	if !ok {
		return ch, out
	}
	out.Factor, out.Shift = u.Factor, u.Shift
	ch.Converter = record.Converter{Model: "recording", Law: record.LawFloat64, PerCode: 1}
	switch {
	case ch.Kind == record.Temperature && u.Kind == record.Voltage:
		c.emf(key, in, &ch, &out)
	case in.Cold != nil:
		c.doc.Addf(key+".cold", "only a raw EMF (unit mV or uV with a couple) needs a cold junction; this column holds %s", in.Unit)
	case ch.Kind == record.Temperature:
		out.MinC = -273.15
		if ch.Couple != "" { // the instrument linearised; couple and class still tell the wire's error
			ch.Converter.Law, ch.Converter.PerCode = record.LawLinearised, valueCPerCode
			out.PerCode = valueCPerCode
		}
	}
	if ch.Role == record.RoleProbe && ch.Kind != record.Temperature {
		c.doc.Addf(key+".role", "a probe is a temperature; this is a %s", ch.Kind)
	}
	c.quality(key, in, &ch)
	return ch, out
}

func (c *checker) couple(key string, in *channel, ch *record.Channel) {
	if in.Couple != "" {
		t, err := its90.ParseType(in.Couple)
		if err != nil {
			c.doc.Addf(key+".couple", "unknown thermocouple letter %q (known: %s)", in.Couple, strings.Join(coupleWords(), ", "))
			return
		}
		ch.Couple = t.String()
	}
	if in.Class == "" {
		return
	}
	class, err := its90.ParseClass(in.Class)
	if err != nil {
		words := []string{"iec-1", "iec-2", "iec-3", "astm-standard", "astm-special"}
		c.doc.Addf(key+".class", "unknown tolerance class %q%s", in.Class, strictyaml.Suggest(in.Class, words))
		ch.Class = ""
	}
	if in.Couple == "" {
		c.doc.Addf(key+".class", "a tolerance class needs a couple, such as couple: K")
	}
	if t, err := its90.ParseType(ch.Couple); err == nil && class.Valid() && !hasClass(t, class) {
		c.doc.Addf(key+".class", "there is no class %v for type %v: leave it out, or name the class that the wire was bought with", class, t)
	}
}

// hasClass tells whether a couple has a tolerance class at all.
func hasClass(t its90.Type, class its90.Class) bool {
	var outside *its90.RangeError
	_, _, err := its90.Tolerance(t, class, math.NaN())
	return errors.As(err, &outside)
}

// unitOf settles kind and unit; either may be left out when the other says it.
func (c *checker) unitOf(key string, in *channel, ch *record.Channel) (unit, bool) {
	kind := record.Kind(in.Kind)
	if in.Kind != "" && !c.word(key+".kind", in.Kind, kindWords()) {
		return unit{}, false
	}
	if kind == record.Other {
		ch.Kind, ch.Unit = kind, in.Unit
		return unit{Kind: kind, Factor: 1}, true
	}
	if in.Unit == "" {
		what := "channel"
		if in.Kind != "" {
			what = in.Kind
		}
		c.doc.Addf(key, "has no unit: say in which unit the column holds the %s (%s)", what, strings.Join(unitWords(kind), ", "))
		return unit{}, false
	}
	u, ok := findUnit(in.Unit)
	if !ok {
		c.doc.Addf(key+".unit", "unknown unit %q%s; for anything else say kind: other", in.Unit, suggestUnit(in.Unit, kind))
		return unit{}, false
	}
	if kind == "" {
		kind = u.Kind
		if in.Couple != "" {
			kind = record.Temperature
		}
	}
	ch.Kind, ch.Unit = kind, kind.Unit()
	if u.Kind == kind || kind == record.Temperature && u.Kind == record.Voltage && in.Couple != "" {
		return u, true
	}
	hint := ""
	if kind == record.Temperature && u.Kind == record.Voltage {
		hint = "; for a thermocouple's raw EMF add couple: K and its cold junction"
	}
	if in.Kind == "" {
		c.doc.Addf(key+".unit", "wrong unit %q for a channel with a couple, which is a temperature: use %s, or mV for raw EMF",
			in.Unit, strings.Join(unitWords(kind), ", "))
	} else {
		c.doc.Addf(key+".unit", "wrong unit %q for kind %s: use %s%s", in.Unit, kind, strings.Join(unitWords(kind), ", "), hint)
	}
	return unit{}, false
}

// emf sets a thermocouple's raw EMF and its cold junction up.
func (c *checker) emf(key string, in *channel, ch *record.Channel, out *Channel) {
	out.EMF = true
	ch.Converter.Law, ch.Converter.PerCode = record.LawEMF, emfVoltsPerCode
	j := in.Cold
	if j == nil {
		c.doc.Addf(key, "raw EMF needs its cold junction: cold: {column: NAME} in degC, cold: {channel: NAME} or cold: {fixed: 23.5}")
		return
	}
	given := 0
	for _, yes := range []bool{j.Column != "", j.Channel != "", j.Fixed != nil} {
		if yes {
			given++
		}
	}
	if given != 1 {
		c.doc.Addf(key+".cold", "want one of column, channel and fixed")
		return
	}
	switch {
	case j.Fixed != nil:
		ch.Cold = record.ColdJunction{From: "fixed", FixedC: j.Fixed}
	case j.Channel != "":
		ch.Cold = record.ColdJunction{From: "channel", Channel: j.Channel}
		if from := c.find(j.Channel); from == nil {
			c.doc.Addf(key+".cold.channel", "no such channel in this map%s", strictyaml.Suggest(j.Channel, c.f.Channels.Names))
		} else if u, ok := findUnit(from.Unit); !ok || u.Kind != record.Temperature {
			c.doc.Addf(key+".cold.channel", "%s is no temperature in degC, K or degF", j.Channel)
		}
	default:
		text := j.Unit
		if text == "" {
			text = "degC"
		}
		u, ok := findUnit(text)
		if !ok || u.Kind != record.Temperature {
			c.doc.Addf(key+".cold.unit", "wrong unit %q for a cold junction: use %s", text, strings.Join(unitWords(record.Temperature), ", "))
		}
		ch.Cold = record.ColdJunction{From: "chip"}
		ch.Converter.ColdPerCode = coldCPerCode
		out.Cold, out.ColdFactor, out.ColdShift = j.Column, u.Factor, u.Shift
	}
}

// quality fills in offset and uncertainty.
func (c *checker) quality(key string, in *channel, ch *record.Channel) {
	if in.Offset != 0 || in.Checked != "" {
		ch.Calibration = &record.Calibration{ID: "map-" + ch.Name, Channel: ch.Name, OffsetK: in.Offset, Checked: in.Checked,
			Evidence: "stated in the channel map", SharedBy: "channel"}
	}
	if a := in.Accuracy; a != nil {
		half := 0.0
		if a.Unit != "" {
			var err error
			if half, err = span(a.Half, a.Unit, ch.Kind, ch.Unit); err != nil {
				c.doc.Addf(key+".accuracy", "%v", err)
			}
		}
		ch.Lines = append(ch.Lines, record.Line{Name: "accuracy as stated", Half: half, Rel: a.Rel, SharedBy: "channel", Source: "channel map"})
	}
	if in.Uncertainty == nil {
		return
	}
	if *in.Uncertainty <= 0 {
		c.doc.Addf(key+".uncertainty", "want the expanded uncertainty (k = 2) above 0, in %s; leave the key out when it is not known", unitOfSpan(ch))
		return
	}
	if in.Accuracy != nil {
		c.doc.Addf(key+".uncertainty", "give either accuracy or uncertainty: together they would count twice")
	}
	ch.Lines = append(ch.Lines, record.Line{Name: "uncertainty as stated", Half: *in.Uncertainty, Sigma: 2, SharedBy: "channel", Source: "channel map"})
}

func unitOfSpan(ch *record.Channel) string {
	if ch.Kind == record.Temperature {
		return "K"
	}
	return fmt.Sprint(ch.Unit)
}
