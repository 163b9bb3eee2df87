// Package bus opens what drivers talk through: SPI and I2C by periph, GPIO pins,
// serial lines and TCP connections. A Host owns every physical bus it opened: one
// transfer at a time per bus, chip select by GPIO where the kernel has none left,
// the lowest of the speed limits, a watchdog on transfers that hang, no panic after
// Close. It knows no chip and no protocol above the transfer.
//
// The Ports behind a Host are the hardware (package periph's registries) or
// a simulated rig; nothing above can tell them apart.
package bus
