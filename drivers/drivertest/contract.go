package drivertest

import (
	"errors"
	"fmt"
	"math"
	"time"

	"soakrig/drivers"
)

// errGarbage is in every reading before Read is called: Read must replace it.
var errGarbage = errors.New("left over from before")

const garbageCode = math.MinInt64 + 77

func garbage(out []drivers.Reading) {
	for i := range out {
		out[i] = drivers.Reading{Faults: math.MaxUint32, Has: 0xFF, Code: garbageCode, Cold: garbageCode,
			Chip: garbageCode, Age: -time.Hour, Cause: errGarbage}
	}
}

// CheckReadings returns an error if a reading breaks the contract: a fault without
// cause or a cause without fault, a code that is absent and not zero, something
// left over from before, a reading that is neither good nor at fault.
func CheckReadings(out []drivers.Reading) error {
	known := drivers.Faults(1)<<len(drivers.FaultNames()) - 1
	for i, r := range out {
		switch {
		case r.Faults&^known != 0:
			return fmt.Errorf("reading %d: faults %#x outside the closed set, or not set", i, uint32(r.Faults))
		case errors.Is(r.Cause, errGarbage):
			return fmt.Errorf("reading %d: Cause was not set", i)
		case r.Faults != 0 && r.Cause == nil:
			return fmt.Errorf("reading %d: %v without a cause", i, r.Faults)
		case r.Faults == 0 && r.Cause != nil:
			return fmt.Errorf("reading %d: cause %q without a fault", i, r.Cause)
		case r.Faults == 0 && r.Has&drivers.HasCode == 0:
			return fmt.Errorf("reading %d: neither a code nor a fault", i)
		case r.Has&^(drivers.HasCode|drivers.HasCold|drivers.HasChip) != 0:
			return fmt.Errorf("reading %d: Has was not set", i)
		case r.Has&drivers.HasCode == 0 && r.Code != 0,
			r.Has&drivers.HasCold == 0 && r.Cold != 0,
			r.Has&drivers.HasChip == 0 && r.Chip != 0:
			return fmt.Errorf("reading %d: a code that is absent and not zero: %+v", i, r)
		case r.Code == garbageCode || r.Cold == garbageCode || r.Chip == garbageCode:
			return fmt.Errorf("reading %d: a code was not set", i)
		case r.Age < 0:
			return fmt.Errorf("reading %d: age %v", i, r.Age)
		}
	}
	return nil
}
