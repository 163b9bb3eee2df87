package its90_test

import (
	"errors"
	"fmt"

	"soakrig/drivers/its90"
)

// A cold junction is compensated in EMF, not in temperature: add the EMF of
// the reference junction's own temperature to the measured one.
func Example() {
	const measuredVolts, coldC = 3.095988e-3, 25.0
	coldVolts, err := its90.K.EMFVolts(coldC)
	if err != nil {
		fmt.Println(err)
		return
	}
	hotC, err := its90.K.TempC(measuredVolts + coldVolts)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f degC\n", hotC)
	// Output: 100.000 degC
}

func ExampleType_EMFVolts() {
	v, err := its90.K.EMFVolts(100)
	fmt.Printf("%.3f mV %v\n", v*1e3, err)
	// Output: 4.096 mV <nil>
}

// The slope turns an uncertainty of EMF into one of temperature.
func ExampleType_Seebeck() {
	s, _ := its90.B.Seebeck(100)
	fmt.Printf("%.2f uV/K, so 1 uV is %.2f K\n", s*1e6, 1e-6/s)
	// Output: 0.90 uV/K, so 1 uV is 1.11 K
}

func ExampleType_TempC() {
	_, err := its90.T.TempC(0.030)
	var out *its90.RangeError
	if errors.As(err, &out) {
		fmt.Printf("type %v ends at %.6f %s\n", out.Type, out.Max, out.Unit)
	}
	// Output: type T ends at 0.020872 V
}

func ExampleTolerance() {
	k, source, err := its90.Tolerance(its90.K, its90.IECClass1, 600)
	fmt.Printf("+-%.1f K %v\n%s\n", k, err, source)
	// Output:
	// +-2.4 K <nil>
	// IEC 60584-1, second-hand: two or more public copies agree
}

func ExampleParseType() {
	t, err := its90.ParseType("k")
	fmt.Println(t, err)
	_, err = its90.ParseType("Z")
	fmt.Println(err)
	// Output:
	// K <nil>
	// its90: thermocouple type "Z" is not one of B E J K N R S T A C
}
