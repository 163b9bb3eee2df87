package ltc2983

import (
	"math"
	"strings"

	"soakrig/drivers"
	"soakrig/drivers/its90"
)

// Registers and bits. What is marked "kernel" was checked against the Linux driver
// drivers/iio/temperature/ltc2983.c and its devicetree binding, the rest against the
// pages of the data sheet that are named.
const (
	sheet  = "LTC2983 data sheet 2983fc"
	kernel = "Linux driver ltc2983.c"

	opWrite     = 0x02  // kernel; then two bytes of address, then data, counting up
	opRead      = 0x03  // kernel
	regStatus   = 0x000 // p19
	regResult   = 0x010 // 4 bytes each; p36: pin 9 at 030h
	regGlobal   = 0x0F0 // kernel; bit 2: degF, bits 1:0: notch
	regMux      = 0x0FF // kernel; extra settling in steps of 100 us
	regAssign   = 0x200 // 4 bytes each; p33: pin 18 at 244h
	statusStart = 0x80  // p19
	statusDone  = 0x40  // p19
	statusPin   = 0x1F  // p19

	globalMask = 0x07
	// muxDelay is the sentinel: 100 us more of settling, where power-on leaves 0.
	muxDelay = 1

	pins  = 20
	codeC = 1.0 / 1024 // degC, kernel
)

// notches by mains frequency, kernel binding; 0 rejects both.
var notches = map[int]byte{0: 0, 60: 1, 50: 2}

// Bits of a result: table 15 on p23 for thermocouples, table 31 on p31 for resistance
// thermometers, table 21 on p25 for diodes. The last two do not use the junction's.
const (
	hardSensor = 1 << 31
	hardADC    = 1 << 30
	hardCold   = 1 << 29
	softCold   = 1 << 28
	softOver   = 1 << 27
	softUnder  = 1 << 26
	softADC    = 1 << 25
	validBit   = 1 << 24
)

// result is what a pin's result register holds.
type result uint32

// code is the temperature, 24 bits of two's complement.
func (r result) code() int64 { return int64(int32(r<<8) >> 8) }

// faults judges the bits. Soft faults count: the chip calls such a reading suspect.
func (r result) faults(thermocouple bool) (drivers.Faults, string) {
	var f drivers.Faults
	var said []string
	add := func(bits result, fault drivers.Faults, text string) {
		if r&bits != 0 {
			f |= fault
			said = append(said, text)
		}
	}
	add(hardADC, drivers.OutOfRange, "bad converter reading, from a broken lead or a burst of noise (hard)")
	if thermocouple {
		add(hardCold, drivers.ColdJunction, "the cold junction's sensor has failed (hard)")
		add(softCold, drivers.ColdJunction, "the cold junction is outside its sensor's range")
	}
	if r&hardSensor != 0 && f&drivers.ColdJunction == 0 {
		add(hardSensor, drivers.Open, "the sensor is open or not connected (hard)")
	}
	add(softOver, drivers.OutOfRange, "above the sensor's range")
	add(softUnder, drivers.OutOfRange, "below the sensor's range")
	add(softADC, drivers.OutOfRange, "the input is beyond the converter's range")
	if r&validBit == 0 {
		f |= drivers.Stale
		said = append(said, "the result is not marked valid: no conversion has filled it, or the pin lost its assignment; the settings are written again at the next reading")
	}
	return f, strings.Join(said, "; ")
}

// couples by the type in bits 31:27, kernel binding.
var couples = map[its90.Type]uint32{its90.J: 1, its90.K: 2, its90.E: 3, its90.N: 4, its90.R: 5, its90.S: 6, its90.T: 7, its90.B: 8}

// Open-circuit test currents in uA, bits 19:18 with bit 20 set; table 14 on p22.
var openTests = map[int]uint32{0: 0, 10: 4, 100: 5, 500: 6, 1000: 7}

// thermocoupleWord assigns a thermocouple to its pin; table 11 on p21.
func thermocoupleWord(couple uint32, cold, openTestUA int, singleEnded bool) uint32 {
	w := couple<<27 | uint32(cold)<<22 | openTests[openTestUA]<<18
	if singleEnded {
		w |= 1 << 21
	}
	return w
}

// thermometer is a resistance thermometer as the chip knows it: type in bits 31:27
// (kernel binding) and range (table 32 on p31).
type thermometer struct {
	code       uint32
	minC, maxC float64
}

var thermometers = map[string]thermometer{
	"pt10": {10, -200, 850}, "pt50": {11, -200, 850}, "pt100": {12, -200, 850}, "pt200": {13, -200, 850},
	"pt500": {14, -200, 850}, "pt1000": {15, -200, 850}, "ni120": {17, -80, 260},
}

// curves by bits 13:12, kernel binding; p33 shows the Japanese one.
var curves = map[string]uint32{"european": 0, "american": 1, "japanese": 2, "its-90": 3}

// Excitation of a thermometer in uA by bits 17:14, kernel; p33, p35, p42 show four.
var excitations = map[int]uint32{5: 1, 10: 2, 25: 3, 50: 4, 100: 5, 250: 6, 500: 7, 1000: 8}

// thermometerWord assigns a resistance thermometer to its pin; p33 and p35.
func thermometerWord(s Sensor) uint32 {
	w := thermometers[s.Kind].code<<27 | uint32(s.SensePin)<<22 | uint32(s.Wires-2)<<20 |
		excitations[s.CurrentUA]<<14 | curves[s.Curve]<<12
	if s.Shared {
		w |= 1 << 18
	}
	return w
}

// senseWord assigns a sense resistor, in steps of 1/1024 ohm; table 40 on p35.
func senseWord(ohms float64) uint32 { return 29<<27 | uint32(math.Round(ohms*1024)) }

const maxSenseOhms = (1<<27 - 1) / 1024.0

// Excitation of a diode in uA by bits 23:22, kernel.
var diodeCurrents = map[int]uint32{10: 0, 20: 1, 40: 2, 80: 3}

// diodeWord assigns a diode; fields: kernel, ideality factor: p25.
func diodeWord(s Sensor) uint32 {
	w := 28<<27 | diodeCurrents[s.CurrentUA]<<22 | uint32(math.Round(s.Ideality*(1<<20)))
	if s.SingleEnded {
		w |= 1 << 26
	}
	if s.Cycles == 3 {
		w |= 1 << 25
	}
	if s.Average {
		w |= 1 << 24
	}
	return w
}
