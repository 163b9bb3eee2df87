package max31855

import (
	"strings"

	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// letter is one ordering variant of the part. The slope is what the chip divides
// the EMF by, data sheet 19-5793 rev 5, table 1 (each also equals the reference
// function at the end of the part's span divided by that temperature, which a test
// checks). Ranges and errors: electrical characteristics, p3 and p4; errors at an
// ambient of -20 to 85 degC.
type letter struct {
	name       string
	slope      float64 // V/K
	minC, maxC float64 // range of the probe
	halfK      float64 // error of the probe's number in the inner range
	innerC     string  // inner range, for words
	outer      string  // error outside of it, for words
}

var letters = [...]letter{
	{"K", 41.276e-6, -200, 1350, 2, "-200 to 700", "4 K to 1350 degC"},
	{"J", 57.953e-6, -210, 1200, 2, "-210 to 750", "4 K to 1200 degC"},
	{"N", 36.256e-6, -200, 1300, 2, "-200 to 700", "4 K to 1300 degC"},
	{"T", 52.18e-6, -270, 400, 2, "-270 to 400", "4 K over the full ambient range"},
	{"E", 76.373e-6, -200, 1000, 2, "-200 to 700", "3 K to 1000 degC"},
	{"R", 10.506e-6, -50, 1768, 2, "-50 to 700", "4 K to 1768 degC"},
	{"S", 9.587e-6, -50, 1768, 2, "-50 to 700", "4 K to 1768 degC"},
}

// findLetter takes a letter in upper or lower case.
func findLetter(name string) (letter, bool) {
	for _, l := range letters {
		if strings.EqualFold(l.name, name) {
			return l, true
		}
	}
	return letter{}, false
}

// above tells whether a probe that the chip shows as chipC is above the letter's range.
// The chip's number is no temperature: where the couple is steeper than the slope it
// runs ahead, and a type R at 1700 degC shows 1936.
func (l letter) above(chipC, coldC float64) bool {
	if chipC <= l.maxC {
		return false
	}
	couple, err := its90.ParseType(l.name)
	if err != nil {
		return true
	}
	cold, err := couple.EMFVolts(coldC)
	if err != nil {
		return true
	}
	end, err := couple.EMFVolts(l.maxC)
	return err != nil || (chipC-coldC)*l.slope+cold > end
}

const sheet = "MAX31855 data sheet 19-5793 rev 5"

// converter says what the codes of a letter mean.
func (l letter) converter() drivers.Converter {
	return drivers.Converter{
		Model:          "MAX31855" + l.name,
		Law:            drivers.LawFixedSlope,
		Kind:           drivers.Temperature,
		Unit:           "degC",
		PerCode:        probePer,
		ColdPerCode:    coldPer,
		SlopeVoltsPerK: l.slope,
		Conversion:     conversionMax,
		Lines: []drivers.Line{
			{Name: "converter gain, offset and linearity, " + l.innerC + " degC", Half: l.halfK * l.slope, In: drivers.OnEMF,
				SharedBy: "converter", Source: sheet + ", p3, ambient -20 to 85 degC"},
			{Name: "cold junction", Half: 2, In: drivers.OnCold, SharedBy: "converter", Source: sheet + ", p4, ambient -20 to 85 degC"},
			{Name: "step of the probe's code", Half: probePer / 2 * l.slope, In: drivers.OnEMF, Source: sheet + ", table 4"},
			{Name: "step of the cold junction's code", Half: coldPer / 2, In: drivers.OnCold, Source: sheet + ", table 5"},
		},
	}
}
