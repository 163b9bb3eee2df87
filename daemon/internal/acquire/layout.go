package acquire

import (
	"encoding/json"
	"hash/crc32"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/record"
	"soakrig/drivers"
)

// buildLayout describes the sources as they are open now. Its ID is a checksum of
// its content, so that the same rig gets the same ID after a restart.
func buildLayout(c *config.Config, sources []*source, cals map[string]record.Calibration) *record.Layout {
	l := &record.Layout{Rig: c.Rig}
	for _, s := range sources {
		src := record.Source{Name: s.cfg.Name, Driver: s.cfg.Driver, EveryNS: s.every}
		convs := s.converters()
		for i, in := range s.cfg.Inputs {
			var conv drivers.Converter
			if i < len(convs) {
				conv = convs[i]
			}
			ch := channel(in.Channel, c, conv)
			if cal, ok := cals[in.Channel]; ok && newer(cal, ch.Calibration) {
				ch.Calibration = &cal
			}
			src.Channels = append(src.Channels, len(l.Channels))
			l.Channels = append(l.Channels, ch)
		}
		l.Sources = append(l.Sources, src)
	}
	text, err := json.Marshal(l)
	if err != nil {
		panic("a layout does not marshal: " + err.Error()) // floats come from checked configuration and constants
	}
	l.ID = crc32.Checksum(text, crc32.MakeTable(crc32.Castagnoli))
	if l.ID == 0 {
		l.ID = 1
	}
	return l
}

// newer says whether the stored calibration was made after the configured one.
func newer(stored record.Calibration, configured *record.Calibration) bool {
	return configured == nil || stored.Checked >= configured.Checked
}

// channel joins what rig.yaml says of a channel with what its driver says.
func channel(name string, c *config.Config, conv drivers.Converter) record.Channel {
	cc := c.Channels[name]
	ch := record.Channel{
		Name: name, Kind: record.Kind(cc.Kind), Unit: cc.Unit, Role: record.Role(cc.Role),
		Place: cc.Place, Couple: cc.Couple, Class: cc.Class, Spool: cc.Spool,
		Converter: converter(conv), Calibration: calibration(name, cc),
	}
	if ch.Kind == "" {
		ch.Kind = kindOf(conv)
	}
	if ch.Unit == "" {
		ch.Unit = ch.Kind.Unit()
	}
	if ch.Unit == "" {
		ch.Unit = conv.Unit
	}
	if ch.Role == "" {
		ch.Role = defaultRole(ch.Kind, conv.Law)
	}
	if thermocouple(conv.Law) {
		ch.Couple = couple(cc)
		if ch.Class == "" {
			ch.Class = usualClass(ch.Couple)
		}
	}
	if cc.Cold != nil {
		ch.Cold = record.ColdJunction{From: "channel", Channel: cc.Cold.Channel, FixedC: cc.Cold.Fixed}
		if cc.Cold.Fixed != nil {
			ch.Cold.From = "fixed"
		}
	}
	if a := cc.Accuracy; a != nil {
		ch.Converter.Lines = []record.Line{{Name: "stated accuracy", Half: a.Half, Rel: a.Rel, SharedBy: "channel", Source: "rig.yaml: " + a.Text}}
	}
	if ch.Role == record.RoleProbe {
		ch.Lines = probeLines(c.Uncertainty, thermocouple(conv.Law))
	}
	return ch
}

// usualClass is the best tolerance class of IEC 60584-1 that covers a couple.
func usualClass(couple string) string {
	switch couple {
	case "A", "B", "C":
		return "iec-2"
	}
	return "iec-1"
}

// probeLines are what mounting a probe on a loaded board adds. The limits are common
// practice; the split of the mounting line says that a remounted probe repeats only
// part of its error. The gradient lies between a thermocouple's terminals and the
// sensor of its cold junction, and acts there; other probes have none.
func probeLines(u config.Uncertainty, thermocouple bool) []record.Line {
	value := func(p *float64, otherwise float64) float64 {
		if p != nil {
			return *p
		}
		return otherwise
	}
	mounting := value(u.Mounting, 1.0)
	lines := []record.Line{
		{Name: "mounting and contact, remounted each time", Half: 0.866 * mounting, Source: "common practice"},
		{Name: "mounting and contact, same place and method", Half: 0.5 * mounting, SharedBy: "channel", Source: "common practice"},
		{Name: "pickup while loaded", Half: value(u.Pickup, 0.5), Source: "common practice"},
	}
	if thermocouple {
		lines = append(lines, record.Line{Name: "terminal gradient", Half: value(u.Terminal, 0.3), In: "cold", SharedBy: "channel", Source: "common practice"})
	}
	return lines
}

func thermocouple(law drivers.Law) bool {
	switch law {
	case drivers.LawEMF, drivers.LawFixedSlope, drivers.LawLinearised, drivers.LawFixedSlopeNoCold:
		return true
	}
	return false
}

func kindOf(conv drivers.Converter) record.Kind {
	if conv.Kind == 0 {
		return record.Other // not open yet: the next layout knows
	}
	return record.Kinds()[conv.Kind-1]
}

func driverKind(kind string) drivers.Kind {
	for i, k := range record.Kinds() {
		if string(k) == kind {
			return drivers.Kind(i + 1)
		}
	}
	return 0
}

func defaultRole(kind record.Kind, law drivers.Law) record.Role {
	switch {
	case kind == record.Temperature && thermocouple(law):
		return record.RoleProbe
	case kind == record.Power || kind == record.Energy:
		return record.RoleSupply
	}
	return record.RoleInfo
}

func calibration(name string, cc *config.Channel) *record.Calibration {
	if cc.Offset == 0 && cc.Gain == 0 && len(cc.Table) == 0 && cc.Checked == "" {
		return nil
	}
	cal := &record.Calibration{
		ID: "rig.yaml", Channel: name, OffsetK: cc.Offset, Gain: cc.Gain,
		Checked: cc.Checked, ValidUntil: cc.ValidUntil, By: cc.By, Evidence: "rig.yaml",
	}
	for _, p := range cc.Table {
		cal.Table = append(cal.Table, record.Correction{ReferenceC: p.Reference, CorrectionK: p.Correction})
	}
	return cal
}

func converter(c drivers.Converter) record.Converter {
	out := record.Converter{
		Model: c.Model, Law: record.Law(c.Law), PerCode: c.PerCode, Offset: c.Offset,
		ColdPerCode: c.ColdPerCode, SlopeVoltsPerK: c.SlopeVoltsPerK, R0Ohms: c.R0Ohms,
		Modulus: c.Modulus, CountedHere: c.CountedHere, ConversionNS: int64(c.Conversion),
	}
	if c.Masks != 0 {
		out.Masks = record.Faults(c.Masks).Words()
	}
	for _, l := range c.Lines {
		out.Lines = append(out.Lines, record.Line{
			Name: l.Name, Half: l.Half, Rel: l.Rel, In: [...]string{"", "emf", "cold"}[l.In],
			Sigma: l.Sigma, SharedBy: l.SharedBy, Source: l.Source,
		})
	}
	return out
}
