package max31856

import "soakrig/drivers"

// kind is what CR1 makes of the input: a thermocouple type that the chip
// linearises, or a voltage that soakd linearises.
type kind struct {
	name     string
	bits     byte    // CR1 bits 3..0
	min, max float64 // in unit
	unit     string
	per      float64 // what a code is worth, in the converter's law
}

// The codes of the types agree with the Linux driver max31856.c. The ranges are those
// of the chip's own tables, where the result clamps: data sheet 19-7534 rev 0, table 1
// (K read there, the others from memory; page 1 says -210 to 1800 degC by type).
var kinds = [...]kind{
	{"B", 0, 250, 1820, "degC", probePer},
	{"E", 1, -200, 1000, "degC", probePer},
	{"J", 2, -210, 1200, "degC", probePer},
	{"K", 3, -200, 1372, "degC", probePer},
	{"N", 4, -200, 1300, "degC", probePer},
	{"R", 5, -50, 1768, "degC", probePer},
	{"S", 6, -50, 1768, "degC", probePer},
	{"T", 7, -200, 400, "degC", probePer},
}

// voltage is voltage mode: code = gain * 1.6 * 2^17 * volts, data sheet p20.
func voltage(couple string, gain int) kind {
	k := kind{name: couple, bits: 0x08, unit: "mV", per: 1 / (float64(gain) * 1.6 * (1 << 17))}
	if gain == 32 {
		k.bits = 0x0C
	}
	full := 1e3 / (float64(gain) * 1.6)
	k.min, k.max = -0.999*full, 0.999*full
	return k
}

func findKind(couple string) (kind, bool) {
	for _, k := range kinds {
		if k.name == couple {
			return k, true
		}
	}
	return kind{}, false
}

// host tells whether soakd linearises.
func (k kind) host() bool { return k.bits&0x08 != 0 }

// valueC is a code in the kind's unit.
func (k kind) valueC(code int64) float64 {
	if k.host() {
		return float64(code) * k.per * 1e3
	}
	return float64(code) * k.per
}

const sheet = "MAX31856 data sheet 19-7534 rev 0"

func (k kind) converter(t timing) drivers.Converter {
	c := drivers.Converter{
		Model: "MAX31856", Law: drivers.LawLinearised, Kind: drivers.Temperature, Unit: "degC",
		PerCode: k.per, ColdPerCode: coldPer, Conversion: t.slow,
		Lines: []drivers.Line{
			{Name: "converter full scale and linearity, taken as gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p3, ambient -20 to 85 degC"},
			{Name: "converter offset", Half: 11.7e-6, In: drivers.OnEMF, SharedBy: "converter", Source: sheet + ", p3, gain 8"},
			{Name: "cold junction", Half: 0.7, In: drivers.OnCold, SharedBy: "converter", Source: sheet + ", p3, ambient -20 to 85 degC"},
			{Name: "step of the cold junction's code", Half: coldPer / 2, In: drivers.OnCold, Source: sheet + ", table 2"},
		},
	}
	if k.host() {
		c.Law = drivers.LawEMF
		c.Lines = append(c.Lines, drivers.Line{Name: "step of the probe's code", Half: k.per / 2, In: drivers.OnEMF, Source: sheet + ", p20"})
		return c
	}
	c.Lines = append(c.Lines,
		drivers.Line{Name: "chip's linearisation table", Half: 0.13, In: drivers.OnValue, SharedBy: "rig", Source: sheet + ", table 1"},
		drivers.Line{Name: "step of the probe's code", Half: probePer / 2, In: drivers.OnValue, Source: sheet + ", table 3"})
	return c
}
