package record

import "strings"

// Kind is what a channel measures.
type Kind string

// The kinds of channels and their units.
const (
	Temperature Kind = "temperature" // degC
	Power       Kind = "power"       // W
	Energy      Kind = "energy"      // J
	Voltage     Kind = "voltage"     // V
	Current     Kind = "current"     // A
	Frequency   Kind = "frequency"   // Hz
	Other       Kind = "other"       // the channel's own unit
)

// Unit is the unit of values of this kind; empty for Other.
func (k Kind) Unit() string {
	switch k {
	case Temperature:
		return "degC"
	case Power:
		return "W"
	case Energy:
		return "J"
	case Voltage:
		return "V"
	case Current:
		return "A"
	case Frequency:
		return "Hz"
	}
	return ""
}

// Role is what a channel is for.
type Role string

// The roles. Only RoleProbe counts for the peak.
const (
	RoleProbe     Role = "probe"
	RoleAmbient   Role = "ambient"
	RoleIntake    Role = "intake"
	RoleExhaust   Role = "exhaust"
	RoleSupply    Role = "supply" // wall power and its energy counter
	RoleReference Role = "reference"
	RoleInfo      Role = "info"
)

// Kinds and Roles list the words that configuration accepts.
func Kinds() []Kind {
	return []Kind{Temperature, Power, Energy, Voltage, Current, Frequency, Other}
}

// Roles lists the words that configuration accepts.
func Roles() []Role {
	return []Role{RoleProbe, RoleAmbient, RoleIntake, RoleExhaust, RoleSupply, RoleReference, RoleInfo}
}

// Faults is the set of reasons why a reading has no value; zero: it has one. The
// bits equal those of drivers.Faults, which documents each.
type Faults uint32

// The faults.
const (
	BusError Faults = 1 << iota
	Timeout
	NoChip
	Corrupt
	ConfigLost
	Open
	ShortToGround
	ShortToSupply
	OutOfRange
	ColdJunctionFault
	Stale
	Implausible
	DeviceError
)

var faultWords = [...]string{
	"bus_error", "timeout", "no_chip", "corrupt", "config_lost", "open",
	"short_to_ground", "short_to_supply", "out_of_range", "cold_junction",
	"stale", "implausible", "device_error",
}

// FaultWords lists the closed set, lowest bit first.
func FaultWords() []string { return append([]string(nil), faultWords[:]...) }

// Words lists the faults of the set, lowest bit first; nil for none.
func (f Faults) Words() []string {
	var w []string
	for i, name := range faultWords {
		if f&(1<<i) != 0 {
			w = append(w, name)
		}
	}
	return w
}

// String joins the words with "+"; "ok" for none.
func (f Faults) String() string {
	if f == 0 {
		return "ok"
	}
	if w := f.Words(); w != nil {
		return strings.Join(w, "+")
	}
	return "unknown"
}

// ParseFaults reads what String wrote. ok is false for a word that is not in the set.
func ParseFaults(s string) (f Faults, ok bool) {
	if s == "ok" || s == "" {
		return 0, true
	}
next:
	for _, w := range strings.Split(s, "+") {
		for i, name := range faultWords {
			if w == name {
				f |= 1 << i
				continue next
			}
		}
		return 0, false
	}
	return f, true
}
