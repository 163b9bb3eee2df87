package mcp9600

import (
	"fmt"
	"strings"
	"time"

	"soakrig/drivers"
)

// Registers, data sheet DS20005426G, section 5.
const (
	regHot    = 0x00 // TH, 16 bit
	regDelta  = 0x01
	regCold   = 0x02 // TC, 16 bit
	regADC    = 0x03 // 24 bit, 2 uV per code at 18 bit
	regStatus = 0x04
	regSensor = 0x05 // type << 4 | filter
	regDevice = 0x06
	regID     = 0x20
)

const (
	sheet       = "MCP960X data sheet DS20005426G"
	statusNew   = 1 << 6 // TH was updated since the bit was cleared
	statusShort = 1 << 5 // MCP9601 only
	statusRange = 1 << 4 // MCP9600: input or TH out of range; MCP9601: open circuit
	codeC       = 0.0625
	coldMinC    = -40.0 // ambient range of the part, p3
	coldMaxC    = 125.0
)

// couple is a thermocouple type as register 05h knows it. Bits: section 5.2.2 and the
// Linux driver mcp9600.c. The ranges are from memory of table 5-5 and p1.
type couple struct {
	name     string
	bits     byte
	min, max float64 // degC
}

var couples = [...]couple{
	{"K", 0, -200, 1372}, {"J", 1, -210, 1200}, {"T", 2, -250, 400}, {"N", 3, -200, 1300},
	{"S", 4, -50, 1768}, {"E", 5, -200, 1000}, {"B", 6, 200, 1820}, {"R", 7, -50, 1768},
}

// findCouple takes a letter in upper or lower case.
func findCouple(name string) (couple, bool) {
	for _, c := range couples {
		if strings.EqualFold(c.name, name) {
			return c, true
		}
	}
	return couple{}, false
}

// resolution is a setting of the converter and its time, section 5.2.3 and p4.
type resolution struct {
	bits int
	code byte
	time time.Duration
}

var resolutions = [...]resolution{
	{18, 0, 320 * time.Millisecond}, {16, 1, 80 * time.Millisecond}, {14, 2, 20 * time.Millisecond}, {12, 3, 5 * time.Millisecond},
}

const calculation = 12 * time.Millisecond

// part says which part an identity is; empty: none of this family.
func part(id uint16) (name, revision string) {
	switch id >> 8 {
	case 0x40:
		name = "MCP9600"
	case 0x41:
		name = "MCP9601"
	default:
		return "", ""
	}
	return name, fmt.Sprintf("%d.%d", id>>4&0xF, id&0xF)
}

// repeats tells whether both bytes of a register are equal, as they are in all
// registers when the controller ignores clock stretching.
func repeats(v uint16) bool { return v>>8 == v&0xFF }

// status judges the status register for a part.
func status(s byte, isMCP9601 bool) (drivers.Faults, string) {
	var f drivers.Faults
	text := ""
	if s&statusRange != 0 {
		if isMCP9601 {
			f, text = drivers.Open, "the chip flags an open circuit"
		} else {
			f, text = drivers.OutOfRange, "the chip flags an input out of range (or an open circuit): its result is frozen"
		}
	}
	if s&statusShort != 0 && isMCP9601 {
		f |= drivers.ShortToGround | drivers.ShortToSupply
		if text != "" {
			text += "; "
		}
		text += "the chip flags a short to ground or to the supply, it does not say which"
	}
	return f, text
}

func (c couple) converter(name string, r resolution) drivers.Converter {
	adc := 2e-6 * float64(int(1)<<(18-r.bits))
	return drivers.Converter{
		Model: name, Law: drivers.LawLinearised, Kind: drivers.Temperature, Unit: "degC",
		PerCode: codeC, ColdPerCode: codeC, Conversion: r.time + calculation,
		Lines: []drivers.Line{
			{Name: "converter, hot against cold junction", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p3"},
			{Name: "cold junction, 0 to 85 degC", Half: 1, In: drivers.OnCold, SharedBy: "converter", Source: sheet + ", p3"},
			{Name: "step of the converter", Half: adc / 2, In: drivers.OnEMF, Source: sheet + ", section 5.1.4"},
			{Name: "step of the code", Half: codeC / 2, In: drivers.OnValue, Source: sheet + ", section 5.1.1"},
		},
	}
}
