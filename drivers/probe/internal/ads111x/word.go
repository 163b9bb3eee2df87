package ads111x

import "time"

// Bits and codes that both chips share: ADS1118 data sheet SBAS457F table 7, ADS1115
// data sheet SBAS444D section 9.6.
const (
	SingleRun = 1 << 8 // power down after a conversion
	RailHigh  = 0x7FFF
	RailLow   = -0x8000

	slack = 1.1 // the chip's clock may be 10 % slow
)

// Rates in samples per second by the code in bits 7:5.
var rates = [...]int{8, 16, 32, 64, 128, 250, 475, 860}

// RateWords names the rates for messages.
const RateWords = "8, 16, 32, 64, 128, 250, 475 or 860"

// RateBits returns a rate's bits of the word; ok is false for a rate that there is not.
func RateBits(rate int) (bits uint16, ok bool) {
	for code, r := range rates {
		if r == rate {
			return uint16(code) << 5, true
		}
	}
	return 0, false
}

// Rate returns the rate of a word, for emulated chips.
func Rate(word uint16) int { return rates[word>>5&7] }

// Conversion is the longest time of one conversion.
func Conversion(rate int) time.Duration {
	return time.Duration(slack * float64(time.Second) / float64(rate))
}

// pairs by the code in bits 14:12.
var pairs = map[string]uint16{"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3}

// ranges in mV by the code in bits 11:9.
var ranges = [...]struct {
	mV   int
	code uint16
}{{256, 5}, {512, 4}, {1024, 3}, {2048, 2}, {4096, 1}, {6144, 0}}

// RangeBits returns the bits of a full scale; ok is false for one that there is not.
func RangeBits(mV int) (bits uint16, ok bool) {
	for _, r := range ranges {
		if r.mV == mV {
			return r.code << 9, true
		}
	}
	return 0, false
}

// LSB is what one code is worth at a full scale, in volts.
func LSB(rangeMV int) float64 { return float64(rangeMV) * 1e-3 / (1 << 15) }
