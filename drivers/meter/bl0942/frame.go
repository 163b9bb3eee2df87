package bl0942

import (
	"errors"
	"fmt"
)

// The full set of measurements: what asks for it, and how long the answer is (register
// list of data sheet V1.04; chip address 0).
const (
	readCommand = 0x58
	allFields   = 0xAA
	frameSize   = 23
	frameHead   = 0x55
)

// What can be wrong with an answer.
var (
	errTimeout  = errors.New("no complete answer in time")
	errHead     = errors.New("answer without its first byte")
	errChecksum = errors.New("wrong checksum")
)

// frame is one set of measurements, as the chip counts them.
type frame struct {
	current int64 // I_RMS
	voltage int64 // V_RMS
	watts   int64 // WATT, signed
	pulses  int64 // CF_CNT, 24 bits
	period  int64 // FREQ: the mains period in microseconds
}

// parse checks an answer and takes it apart.
func parse(p []byte) (frame, error) {
	if len(p) != frameSize {
		return frame{}, fmt.Errorf("%w: %d of %d bytes", errTimeout, len(p), frameSize)
	}
	if p[0] != frameHead {
		return frame{}, fmt.Errorf("%w: %#02x instead of %#02x", errHead, p[0], frameHead)
	}
	sum := byte(readCommand)
	for _, b := range p[:frameSize-1] {
		sum += b
	}
	if sum = ^sum; sum != p[frameSize-1] {
		return frame{}, fmt.Errorf("%w: %#02x received, %#02x computed", errChecksum, p[frameSize-1], sum)
	}
	u24 := func(at int) int64 { return int64(p[at]) | int64(p[at+1])<<8 | int64(p[at+2])<<16 }
	return frame{
		current: u24(1), voltage: u24(4), watts: u24(10) << 40 >> 40, pulses: u24(13),
		period: int64(p[16]) | int64(p[17])<<8,
	}, nil
}
