// Package ltc2983 reads thermocouples through LTC2983 converters over SPI. One chip
// has twenty pins for thermocouples and for the sensors of their cold junctions
// (diodes, or resistance thermometers with their sense resistors). The chip measures
// a thermocouple and its junction at once, linearises, and hands out degrees.
//
// Each reading converts the junction's sensors first, so that their codes are kept
// beside every probe's, then one probe after the other. A result counts only when
// the chip was seen to take the start, to be busy with this very pin, and to end with
// it: so neither an old result nor another pin's can pass for a new one. The chip has
// no identity and forgets everything without supply; a register that is kept at
// another value than its power-on one shows that.
//
// The driver knows no custom tables, no thermistors and no direct voltages.
package ltc2983
