package max31856

import (
	"strings"

	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// kind is what CR1 makes of the input: a thermocouple type that the chip
// linearises, or a voltage that soakd linearises.
type kind struct {
	name     string
	bits     byte    // CR1 bits 3..0
	min, max float64 // in unit
	unit     string
	per      float64    // what a code is worth, in the converter's law
	couple   its90.Type // voltage mode only
}

// The codes of the types agree with the Linux driver max31856.c. The ranges are those
// of the chip's own tables, where the result clamps: data sheet 19-7534 rev 0, table 1
// (K read there, the others from memory; page 1 says -210 to 1800 degC by type).
var kinds = [...]kind{
	{name: "B", bits: 0, min: 250, max: 1820, unit: "degC", per: probePer},
	{name: "E", bits: 1, min: -200, max: 1000, unit: "degC", per: probePer},
	{name: "J", bits: 2, min: -210, max: 1200, unit: "degC", per: probePer},
	{name: "K", bits: 3, min: -200, max: 1372, unit: "degC", per: probePer},
	{name: "N", bits: 4, min: -200, max: 1300, unit: "degC", per: probePer},
	{name: "R", bits: 5, min: -50, max: 1768, unit: "degC", per: probePer},
	{name: "S", bits: 6, min: -50, max: 1768, unit: "degC", per: probePer},
	{name: "T", bits: 7, min: -200, max: 400, unit: "degC", per: probePer},
}

// voltage is voltage mode: code = gain * 1.6 * 2^17 * volts, data sheet p20.
func voltage(couple its90.Type, gain int) kind {
	k := kind{name: couple.String(), bits: 0x08, unit: "mV", per: 1 / (float64(gain) * 1.6 * (1 << 17)), couple: couple}
	if gain == 32 {
		k.bits = 0x0C
	}
	full := 1e3 / (float64(gain) * 1.6)
	k.min, k.max = -0.999*full, 0.999*full
	return k
}

// findKind takes a letter in upper or lower case.
func findKind(couple string) (kind, bool) {
	for _, k := range kinds {
		if strings.EqualFold(k.name, couple) {
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

// probeC is the probe's temperature: the chip's own number, or in voltage mode that of
// the reference function with the chip's cold junction.
func (k kind) probeC(code int64, coldC float64) (float64, error) {
	if !k.host() {
		return k.valueC(code), nil
	}
	cold, err := k.couple.EMFVolts(coldC)
	if err != nil {
		return 0, err
	}
	return k.couple.TempC(cold + float64(code)*k.per)
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
