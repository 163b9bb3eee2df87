// Package bl0942 reads the BL0942 metering chip over its UART, which must be isolated
// from the mains that the chip measures. It asks for the whole set of measurements and
// writes no register.
//
// What a code is worth depends on the board's shunt and divider, which are options.
// The chip's energy counter falls to 0 on a brown-out: that is a reset, not a wrap.
package bl0942
