package iio

import (
	"fmt"
	"math"
	"strings"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// model is a chip as the kernel's driver shows it. Files give raw codes; what they
// are worth is the chip's, so that the raw evidence is the same as over the bus.
type model struct {
	name       string  // as in the option chip
	scale      float64 // of the probe's codes as the kernel's driver tells it, in thousandths of a degC; 0: it tells none
	typed      bool    // the kernel's driver may tell its thermocouple type
	probeFile  string
	coldFile   string // empty: none
	law        drivers.Law
	per        float64 // what a code is worth, in the law's unit
	coldPer    float64
	minC, maxC float64 // of the probe
	conversion time.Duration
	zeroIsNone bool // the driver hands out zeros when no chip answers
	sixteenBit bool // drivers before a fix give negative codes plus 65536
	lines      []drivers.Line
}

const (
	thermoSource = "MAX31855 data sheet 19-5793 rev 5, p3 and p4, ambient -20 to 85 degC"
	max56Source  = "MAX31856 data sheet 19-7534 rev 0, p3, ambient -20 to 85 degC"
	mcp96Source  = "MCP960X data sheet DS20005426G, p3"
)

var models = [...]model{
	{name: "max31855", scale: 250, typed: true, probeFile: "in_temp_raw", coldFile: "in_temp_ambient_raw", law: drivers.LawFixedSlope, per: 0.25, coldPer: 0.0625,
		minC: -270, maxC: 2047.5, conversion: 100 * time.Millisecond, zeroIsNone: true,
		lines: []drivers.Line{
			{Name: "cold junction", Half: 2, In: drivers.OnCold, SharedBy: "converter", Source: thermoSource},
			{Name: "converter gain, offset and linearity", Half: 2, In: drivers.OnValue, SharedBy: "converter", Source: thermoSource},
			{Name: "step of the probe's code", Half: 0.125, In: drivers.OnValue, Source: thermoSource}}},
	{name: "max6675", scale: 250, typed: true, probeFile: "in_temp_raw", law: drivers.LawFixedSlopeNoCold, per: 0.25,
		minC: 0, maxC: 1023.75, conversion: 220 * time.Millisecond, zeroIsNone: true,
		lines: []drivers.Line{
			{Name: "converter and cold junction", Half: 5, In: drivers.OnValue, SharedBy: "converter", Source: "MAX6675 data sheet 19-2235 rev 3, p2: 2 and 3 degC"}}},
	{name: "max31856", scale: 7.8125, typed: true, probeFile: "in_temp_raw", coldFile: "in_temp_ambient_raw", law: drivers.LawLinearised, per: 1.0 / 128, coldPer: 1.0 / 64,
		minC: -210, maxC: 1820, conversion: 90 * time.Millisecond, zeroIsNone: true,
		lines: []drivers.Line{
			{Name: "converter full scale and linearity, taken as gain", Rel: 0.0015, In: drivers.OnEMF, SharedBy: "converter", Source: max56Source},
			{Name: "converter offset", Half: 11.7e-6, In: drivers.OnEMF, SharedBy: "converter", Source: max56Source},
			{Name: "cold junction", Half: 0.7, In: drivers.OnCold, SharedBy: "converter", Source: max56Source}}},
	{name: "max31865", scale: 31.25, probeFile: "in_temp_raw", law: drivers.LawRTD,
		minC: -200, maxC: 850, conversion: 74 * time.Millisecond,
		lines: []drivers.Line{
			{Name: "converter", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: "MAX31865 data sheet 19-6478 rev 3, p1"}}},
	{name: "mcp9600", scale: 62.5, typed: true, probeFile: "in_temp_raw", coldFile: "in_temp_ambient_raw", law: drivers.LawLinearised, per: 0.0625, coldPer: 0.0625,
		minC: -250, maxC: 1820, conversion: 332 * time.Millisecond, zeroIsNone: true, sixteenBit: true,
		lines: []drivers.Line{
			{Name: "converter, hot against cold junction", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: mcp96Source},
			{Name: "cold junction, 0 to 85 degC", Half: 1, In: drivers.OnCold, SharedBy: "converter", Source: mcp96Source}}},
	{name: "ltc2983", scale: 1000.0 / 1024, probeFile: "in_temp0_raw", law: drivers.LawLinear, per: 1.0 / 1024,
		minC: -270, maxC: 1820, conversion: 300 * time.Millisecond, lines: []drivers.Line{
			{Name: "converter, its class, and the cold junction's sensor", In: drivers.OnValue, SharedBy: "converter", Source: "not stated by the files: give the channel an accuracy"}}},
	{name: "hwmon", probeFile: "temp1_input", law: drivers.LawLinear, per: 0.001,
		minC: -100, maxC: 500, lines: []drivers.Line{
			{Name: "sensor", In: drivers.OnValue, SharedBy: "converter", Source: "not stated: give the channel an accuracy"}}},
}

func findModel(name string) (model, bool) {
	for _, m := range models {
		if strings.EqualFold(m.name, name) {
			return m, true
		}
	}
	return model{}, false
}

// modelNames lists what the option chip takes.
func modelNames() string {
	out := ""
	for i, m := range models {
		if i > 0 {
			out += " "
		}
		out += m.name
	}
	return out
}

// slope is what a MAX31855 of this type divides the EMF by: the reference function
// at the end of its span, 1000 degC (400 for T), over that temperature.
func slope(t its90.Type) (voltsPerK float64, err error) {
	end := 1000.0
	if t == its90.T {
		end = 400
	}
	e, err := t.EMFVolts(end)
	if err != nil {
		return 0, err
	}
	return math.Round(e/end*1e9) / 1e9, nil
}

// signed undoes the missing sign of old drivers.
func (m model) signed(code int64) int64 {
	if m.sixteenBit && code > math.MaxInt16 && code <= math.MaxUint16 {
		return code - 1<<16
	}
	return code
}

// repeats tells whether both bytes of a register are equal.
func repeats(code int64) bool { return uint16(code)>>8 == uint16(code)&0xFF }

// roughC is the probe's temperature as near as the file tells it, for the checks.
func (m model) roughC(code int64, rref, r0 float64) float64 {
	if m.law != drivers.LawRTD {
		return float64(code) * m.per
	}
	const a, b = 3.9083e-3, -5.775e-7 // IEC 60751
	ratio := float64(code) * rref / (1 << 15) / r0
	return (-a + math.Sqrt(max(0, a*a-4*b*(1-ratio)))) / (2 * b)
}

func (m model) converter(o InputOpts, couple string) (drivers.Converter, error) {
	c := drivers.Converter{Model: m.name + " (kernel)", Law: m.law, Kind: drivers.Temperature, Unit: "degC",
		PerCode: m.per, ColdPerCode: m.coldPer, Conversion: m.conversion, Lines: m.lines}
	switch m.law {
	case drivers.LawFixedSlope:
		t, err := its90.ParseType(couple)
		if err != nil {
			return c, fmt.Errorf("give the channel's thermocouple letter: %w", err)
		}
		if c.SlopeVoltsPerK, err = slope(t); err != nil {
			return c, fmt.Errorf("the part is not made for type %s: %w", couple, err)
		}
	case drivers.LawFixedSlopeNoCold:
		c.SlopeVoltsPerK = 41e-6
	case drivers.LawRTD:
		c.PerCode, c.R0Ohms = o.Rref/(1<<15), o.R0
	}
	return c, nil
}
