package drivers

import "strings"

// Faults is the set of reasons why a reading has no value. Zero means that the
// reading is good. Several may hold at once (a chip can flag an open lead and a
// short together). The set is closed: it becomes a stored number, a metric label
// and an enum on the wire, so a driver explains details in Reading.Cause and
// never invents a fault.
type Faults uint32

// The faults, in the order in which a driver looks for them: a failed transfer
// says nothing about the probe, a missing chip has no fault bits, and so on.
const (
	BusError      Faults = 1 << iota // the transfer failed (the cause says which errno)
	Timeout                          // no answer within the deadline
	NoChip                           // all ones, all zeros, or a wrong identity: nothing sensible answers
	Corrupt                          // reserved bits, checksum or framing are wrong
	ConfigLost                       // the chip fell back to its power-on settings
	Open                             // open circuit: lead off, element broken
	ShortToGround                    // a lead touches ground
	ShortToSupply                    // a lead touches the supply
	OutOfRange                       // outside what probe, chip or map can mean (a not-a-number too)
	ColdJunction                     // the cold junction itself is missing or outside its range
	Stale                            // no new conversion can exist yet, or the value aged out
	Implausible                      // a step that no copper mass can make
	DeviceError                      // the device answered and said that it can't (Modbus exception, SCPI error)
)

// faultNames are the words used in configuration, JSON, CSV and metrics.
var faultNames = [...]string{
	"bus_error", "timeout", "no_chip", "corrupt", "config_lost", "open",
	"short_to_ground", "short_to_supply", "out_of_range", "cold_junction",
	"stale", "implausible", "device_error",
}

// FaultNames returns the closed set of fault words, lowest bit first.
func FaultNames() []string { return append([]string(nil), faultNames[:]...) }

// String joins the words of all faults in the set with "+"; "ok" for none.
func (f Faults) String() string {
	if f == 0 {
		return "ok"
	}
	var b strings.Builder
	for i, name := range faultNames {
		if f&(1<<i) == 0 {
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('+')
		}
		b.WriteString(name)
	}
	if b.Len() == 0 {
		return "unknown"
	}
	return b.String()
}
