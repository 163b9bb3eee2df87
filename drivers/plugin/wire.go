package plugin

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"soakrig/drivers"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// errContract says that the process answered something the contract does not allow.
var errContract = errors.New("the driver's process breaks its contract")

// converters checks and translates what the process says about its codes.
func converters(in []*driverv1.Converter, inputs int) ([]drivers.Converter, error) {
	if len(in) != inputs {
		return nil, fmt.Errorf("%w: %d converters for %d inputs", errContract, len(in), inputs)
	}
	out := make([]drivers.Converter, len(in))
	for i, c := range in {
		numbers := []float64{c.GetPerCode(), c.GetOffset(), c.GetColdPerCode(), c.GetSlopeVoltsPerK(), c.GetR0Ohms(), c.GetModulus(), c.GetConversionS()}
		bad := slices.ContainsFunc(numbers, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
		switch {
		case c.GetLaw() < driverv1.Law_LAW_EMF || c.GetLaw() > driverv1.Law_LAW_FLOAT64:
			return nil, fmt.Errorf("%w: converter %d has no law", errContract, i)
		case c.GetKind() < driverv1.Kind_KIND_TEMPERATURE || c.GetKind() > driverv1.Kind_KIND_OTHER || c.GetUnit() == "":
			return nil, fmt.Errorf("%w: converter %d has no kind or unit", errContract, i)
		case bad || c.GetPerCode() == 0 || c.GetConversionS() < 0 || c.GetConversionS() > 3600:
			return nil, fmt.Errorf("%w: converter %d has numbers that mean nothing: %v", errContract, i, numbers)
		}
		out[i] = drivers.Converter{
			Model: c.GetModel(), Law: drivers.Law(c.GetLaw()), Kind: drivers.Kind(c.GetKind()), Unit: c.GetUnit(),
			PerCode: c.GetPerCode(), Offset: c.GetOffset(), ColdPerCode: c.GetColdPerCode(),
			SlopeVoltsPerK: c.GetSlopeVoltsPerK(), R0Ohms: c.GetR0Ohms(), Modulus: c.GetModulus(),
			Conversion: time.Duration(c.GetConversionS() * float64(time.Second)),
		}
		if out[i].Model == "" {
			out[i].Model = "plugin"
		}
		for _, l := range c.GetLines() {
			out[i].Lines = append(out[i].Lines, drivers.Line{
				Name: l.GetName(), Half: l.GetHalf(), Rel: l.GetRel(), Sigma: l.GetSigma(), In: drivers.OnValue,
				SharedBy: "converter", Source: l.GetSource(),
			})
		}
	}
	return out, nil
}

// wireConverters is the other direction, for drivers written in Go.
func wireConverters(in []drivers.Converter) []*driverv1.Converter {
	var out []*driverv1.Converter
	for _, c := range in {
		w := &driverv1.Converter{
			Model: c.Model, Law: driverv1.Law(c.Law), Kind: driverv1.Kind(c.Kind), Unit: c.Unit,
			PerCode: c.PerCode, Offset: c.Offset, ColdPerCode: c.ColdPerCode, SlopeVoltsPerK: c.SlopeVoltsPerK,
			R0Ohms: c.R0Ohms, Modulus: c.Modulus, ConversionS: c.Conversion.Seconds(),
		}
		for _, l := range c.Lines {
			if l.In == drivers.OnValue {
				w.Lines = append(w.Lines, &driverv1.Line{Name: l.Name, Half: l.Half, Rel: l.Rel, Sigma: l.Sigma, Source: l.Source})
			}
		}
		out = append(out, w)
	}
	return out
}

// take checks and translates one reading.
func take(w *driverv1.Reading, r *drivers.Reading) {
	*r = drivers.Reading{}
	if w == nil {
		w = &driverv1.Reading{}
	}
	age := w.GetAgeS()
	if math.IsNaN(age) || age < 0 || age > 3600 {
		r.Fail(drivers.Corrupt, fmt.Errorf("%w: an age of %v s", errContract, age))
		return
	}
	r.Age = time.Duration(age * float64(time.Second))
	if w.Code != nil {
		r.Has, r.Code = r.Has|drivers.HasCode, w.GetCode()
	}
	if w.Cold != nil {
		r.Has, r.Cold = r.Has|drivers.HasCold, w.GetCold()
	}
	if w.Chip != nil {
		r.Has, r.Chip = r.Has|drivers.HasChip, w.GetChip()
	}
	var faults drivers.Faults
	for _, word := range w.GetFaults() {
		bit := slices.Index(drivers.FaultNames(), word)
		if bit < 0 {
			r.Fail(drivers.Corrupt, fmt.Errorf("%w: %q is no fault word", errContract, word))
			return
		}
		faults |= 1 << bit
	}
	switch {
	case faults != 0 && w.GetCause() == "":
		r.Fail(faults, errors.New("the driver's process gives no cause"))
	case faults != 0:
		r.Fail(faults, errors.New(w.GetCause()))
	case w.Code == nil:
		r.Fail(drivers.Corrupt, fmt.Errorf("%w: a reading with neither code nor fault", errContract))
	}
}

// wireReading is the other direction, for drivers written in Go.
func wireReading(r drivers.Reading) *driverv1.Reading {
	w := &driverv1.Reading{AgeS: r.Age.Seconds()}
	if r.Has&drivers.HasCode != 0 {
		w.Code = &r.Code
	}
	if r.Has&drivers.HasCold != 0 {
		w.Cold = &r.Cold
	}
	if r.Has&drivers.HasChip != 0 {
		w.Chip = &r.Chip
	}
	for bit, word := range drivers.FaultNames() {
		if r.Faults&(1<<bit) != 0 {
			w.Faults = append(w.Faults, word)
		}
	}
	if r.Cause != nil {
		w.Cause = r.Cause.Error()
	}
	return w
}
