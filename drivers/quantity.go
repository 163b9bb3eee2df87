package drivers

// Quantity is what a unit stands for: the kind, the unit in which values of that kind
// leave a driver, and how many of those one of the unit is.
type Quantity struct {
	Kind   Kind
	Unit   string
	Factor float64
}

// QuantityOf knows the units in which meters count. Any other word is of the kind
// Other in that unit; an empty one is a ratio, "1".
func QuantityOf(unit string) Quantity {
	switch unit {
	case "W":
		return Quantity{Power, "W", 1}
	case "mW":
		return Quantity{Power, "W", 1e-3}
	case "kW":
		return Quantity{Power, "W", 1e3}
	case "J", "Ws":
		return Quantity{Energy, "J", 1}
	case "Wh":
		return Quantity{Energy, "J", 3600}
	case "kWh":
		return Quantity{Energy, "J", 3.6e6}
	case "MWh":
		return Quantity{Energy, "J", 3.6e9}
	case "V":
		return Quantity{Voltage, "V", 1}
	case "mV":
		return Quantity{Voltage, "V", 1e-3}
	case "A":
		return Quantity{Current, "A", 1}
	case "mA":
		return Quantity{Current, "A", 1e-3}
	case "Hz":
		return Quantity{Frequency, "Hz", 1}
	case "":
		return Quantity{Other, "1", 1}
	}
	return Quantity{Other, unit, 1}
}
