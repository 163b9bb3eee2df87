package drivers

import (
	"context"
	"errors"
	"syscall"

	"soakrig/drivers/bus"
)

// TransferFaults says which fault a failed transfer is: Timeout for a deadline, a
// cancellation or a transfer that hangs, NoChip for an I2C address that nobody
// acknowledges, BusError for the rest. Nil is no fault.
func TransferFaults(err error) Faults {
	switch {
	case err == nil:
		return 0
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled), errors.Is(err, bus.ErrHung):
		return Timeout
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.EREMOTEIO):
		return NoChip
	}
	return BusError
}

// EndsRead tells whether a failed transfer concerns the whole source, so that Read
// stops and returns it: the context ended, or the device was closed.
func EndsRead(err error) bool {
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) || errors.Is(err, bus.ErrClosed)
}

// FailAll sets every reading to a failed one without codes, and returns cause.
func FailAll(out []Reading, cause error) error {
	f := TransferFaults(cause)
	for i := range out {
		out[i] = Reading{Faults: f, Cause: cause}
	}
	return cause
}
