package drivers

import "testing"

func TestQuantityOf(t *testing.T) {
	for unit, want := range map[string]Quantity{
		"W": {Power, "W", 1}, "mW": {Power, "W", 1e-3}, "kW": {Power, "W", 1e3},
		"J": {Energy, "J", 1}, "Ws": {Energy, "J", 1}, "Wh": {Energy, "J", 3600}, "kWh": {Energy, "J", 3.6e6}, "MWh": {Energy, "J", 3.6e9},
		"V": {Voltage, "V", 1}, "mV": {Voltage, "V", 1e-3}, "A": {Current, "A", 1}, "mA": {Current, "A", 1e-3},
		"Hz": {Frequency, "Hz", 1}, "": {Other, "1", 1}, "VA": {Other, "VA", 1}, "kwh": {Other, "kwh", 1},
	} {
		if got := QuantityOf(unit); got != want {
			t.Errorf("%q: %+v, want %+v", unit, got, want)
		}
	}
}
