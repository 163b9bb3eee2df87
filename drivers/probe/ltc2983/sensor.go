package ltc2983

import (
	"fmt"
	"slices"
	"strings"
)

// Sensor is a temperature sensor on the chip, for cold junctions and for itself.
type Sensor struct {
	// Pin is the chip's input CH1 to CH20 that the sensor is assigned to.
	Pin int `yaml:"pin"`
	// Kind is diode, pt10, pt50, pt100, pt200, pt500, pt1000 or ni120.
	Kind string `yaml:"kind"`
	// AccuracyC are the limits of its error in degC, from its own data sheet; required.
	AccuracyC float64 `yaml:"accuracy_c"`
	// CurrentUA is the excitation in uA. Diode: 10 20 40 80, default 20; others: 5 10
	// 25 50 100 250 500 1000, required.
	CurrentUA int `yaml:"current_ua"`
	// Ideality is a diode's ideality factor; required.
	Ideality float64 `yaml:"ideality"`
	// Cycles of a diode: 2, or 3 (default), which cancels the leads' resistance.
	Cycles int `yaml:"cycles"`
	// Average makes the chip average a diode's results. It then lags.
	Average bool `yaml:"average"`
	// SingleEnded: a diode against the COM pin instead of the pin below.
	SingleEnded bool `yaml:"single_ended"`
	// Wires of a thermometer: 2 (default), 3 or 4.
	Wires int `yaml:"wires"`
	// SensePin and SenseOhms are the thermometer's sense resistor; required.
	SensePin  int     `yaml:"sense_pin"`
	SenseOhms float64 `yaml:"sense_ohms"`
	// Shared: other thermometers use the same sense resistor.
	Shared bool `yaml:"shared"`
	// Curve is european (default), american, japanese or its-90.
	Curve string `yaml:"curve"`
}

// Limits of a diode, p25.
const diodeMinC, diodeMaxC = -60.0, 130.0

// fill sets the defaults.
func (s *Sensor) fill() {
	s.Kind, s.Curve = strings.ToLower(s.Kind), strings.ToLower(s.Curve) // PT100, ITS-90: as the data sheet writes them
	if s.Kind == "diode" {
		if s.CurrentUA == 0 {
			s.CurrentUA = 20
		}
		if s.Cycles == 0 {
			s.Cycles = 3
		}
		return
	}
	if s.Wires == 0 {
		s.Wires = 2
	}
	if s.Curve == "" {
		s.Curve = "european"
	}
}

// check says what is wrong with a sensor; empty: nothing.
func (s *Sensor) check() string {
	switch {
	case s.Pin < 1 || s.Pin > pins:
		return fmt.Sprintf("pin %d: must be 1 to %d", s.Pin, pins)
	case !(s.AccuracyC > 0):
		return "accuracy_c is missing: give the limits of the sensor's error in degC, from its data sheet; it passes into every result"
	case s.Kind == "diode":
		return s.checkDiode()
	}
	if _, ok := thermometers[s.Kind]; !ok {
		return fmt.Sprintf("kind %q: must be diode, %s", s.Kind, strings.Join(words(thermometers), ", "))
	}
	return s.checkThermometer()
}

func (s *Sensor) checkDiode() string {
	_, current := diodeCurrents[s.CurrentUA]
	switch {
	case s.Wires != 0 || s.SensePin != 0 || s.SenseOhms != 0 || s.Shared || s.Curve != "":
		return "wires, sense_pin, sense_ohms, shared and curve belong to resistance thermometers, not to a diode"
	case !(s.Ideality > 0.5 && s.Ideality < 2):
		return fmt.Sprintf("ideality %g: give the diode's ideality factor, near 1, from its data sheet", s.Ideality)
	case !current:
		return fmt.Sprintf("current_ua %d: must be 10, 20, 40 or 80 for a diode", s.CurrentUA)
	case s.Cycles != 2 && s.Cycles != 3:
		return fmt.Sprintf("cycles %d: must be 2 or 3", s.Cycles)
	case !s.SingleEnded && s.Pin < 2:
		return "pin 1: has no pin below it for the cathode; use 2 to 20, or single_ended: true"
	}
	return ""
}

func (s *Sensor) checkThermometer() string {
	_, current := excitations[s.CurrentUA]
	_, curve := curves[s.Curve]
	switch {
	case s.Ideality != 0 || s.Cycles != 0 || s.Average || s.SingleEnded:
		return "ideality, cycles, average and single_ended belong to diodes, not to a resistance thermometer"
	case s.Pin < 2:
		return "pin 1: a thermometer lies between its pin and the one below; use 2 to 20"
	case !current:
		return fmt.Sprintf("current_ua %d: must be 5, 10, 25, 50, 100, 250, 500 or 1000 for a resistance thermometer", s.CurrentUA)
	case s.Wires < 2 || s.Wires > 4:
		return fmt.Sprintf("wires %d: must be 2, 3 or 4", s.Wires)
	case s.SensePin < 2 || s.SensePin > pins || s.SensePin == s.Pin:
		return fmt.Sprintf("sense_pin %d: must be 2 to %d and not the sensor's own", s.SensePin, pins)
	case !(s.SenseOhms >= 1 && s.SenseOhms <= maxSenseOhms):
		return fmt.Sprintf("sense_ohms %g: give the sense resistor, 1 to %.0f ohm, as exactly as it is known: its error passes into the temperature", s.SenseOhms, maxSenseOhms)
	case !curve:
		return fmt.Sprintf("curve %q: must be %s", s.Curve, strings.Join(words(curves), ", "))
	}
	return ""
}

// word assigns the sensor to its pin.
func (s *Sensor) word() uint32 {
	if s.Kind == "diode" {
		return diodeWord(*s)
	}
	return thermometerWord(*s)
}

// limits are the temperatures that the chip gives for the sensor.
func (s *Sensor) limits() (minC, maxC float64) {
	if s.Kind == "diode" {
		return diodeMinC, diodeMaxC
	}
	t := thermometers[s.Kind]
	return t.minC, t.maxC
}

func (s *Sensor) slow() bool { return s.Cycles == 3 }

func words[T any](m map[string]T) []string {
	var all []string
	for w := range m {
		all = append(all, w)
	}
	slices.Sort(all)
	return all
}
