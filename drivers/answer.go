package drivers

import (
	"context"
	"errors"
	"os"

	"soakrig/drivers/bus"
)

// AnswerFaults says which fault the error of a protocol package is: Timeout for an
// answer that did not come, Corrupt for one that is wrong, DeviceError for a refusal,
// BusError for the rest. Nil is no fault.
func AnswerFaults(err error) Faults {
	switch {
	case err == nil:
		return 0
	case errors.Is(err, bus.ErrRefused):
		return DeviceError
	case errors.Is(err, bus.ErrNoAnswer), errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		return Timeout
	case errors.Is(err, bus.ErrCorrupt):
		return Corrupt
	}
	return BusError
}
