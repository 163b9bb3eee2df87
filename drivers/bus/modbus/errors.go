package modbus

import (
	"context"
	"errors"
	"fmt"
	"os"

	"soakrig/drivers"
	"soakrig/drivers/bus/line"
)

// What can be wrong with an answer. They are wrapped with the port, the request and
// the bytes at fault.
var (
	ErrRequest    = errors.New("request refused")                // never sent
	ErrTimeout    = errors.New("no complete answer in time")     // silence, or a part of a frame
	ErrCRC        = errors.New("wrong CRC")                      // RTU
	ErrUnit       = errors.New("answer from an unexpected unit") // somebody else's answer
	ErrFunction   = errors.New("answer to an unexpected function")
	ErrByteCount  = errors.New("wrong byte count")
	ErrLength     = errors.New("impossible frame length")            // TCP
	ErrProtocol   = errors.New("not Modbus TCP")                     // TCP: header makes no sense
	ErrEcho       = errors.New("own request came back")              // RTU without the echo option, or an echo that differs
	ErrAmbiguous  = errors.New("two answers to one request")         // RTU: an old one was still on its way
	ErrQuarantine = errors.New("line was not quiet for long enough") // RTU: nothing was sent
)

// Exception is an answer in which the device says that it can't. The link is in
// order then.
type Exception struct {
	Code uint8 // 1 function, 2 address, 3 value, 4 failure, 5 acknowledge, 6 busy, 8 parity, 10 and 11 gateway
}

func (e *Exception) Error() string {
	return fmt.Sprintf("exception %d: %s", e.Code, e.meaning())
}

func (e *Exception) meaning() string {
	switch e.Code {
	case 1:
		return "the device does not know this function"
	case 2:
		return "the device has no such register (wrong map, or addresses counted from 1?)"
	case 3:
		return "the device refuses this number of registers"
	case 4:
		return "device failure"
	case 5:
		return "acknowledged, the answer follows later"
	case 6:
		return "device busy"
	case 8:
		return "memory parity error in the device"
	case 0x0A:
		return "the gateway has no path to the unit"
	case 0x0B:
		return "the unit behind the gateway does not answer"
	}
	return "not a code of the standard"
}

// Passing says whether the same request can succeed later without anybody changing
// the configuration: busy, failure and gateway codes.
func (e *Exception) Passing() bool {
	switch e.Code {
	case 4, 5, 6, 8, 0x0A, 0x0B:
		return true
	}
	return false
}

// inOrder says that the link is in step: a good answer or an exception.
func inOrder(err error) bool {
	var e *Exception
	return err == nil || errors.As(err, &e)
}

// Faults says which fault an error of this package stands for; zero for nil.
func Faults(err error) drivers.Faults {
	var e *Exception
	switch {
	case err == nil:
		return 0
	case errors.As(err, &e):
		return drivers.DeviceError
	case errors.Is(err, ErrTimeout), errors.Is(err, ErrQuarantine),
		errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		return drivers.Timeout
	case errors.Is(err, ErrCRC), errors.Is(err, ErrUnit), errors.Is(err, ErrFunction),
		errors.Is(err, ErrByteCount), errors.Is(err, ErrLength), errors.Is(err, ErrProtocol),
		errors.Is(err, ErrEcho), errors.Is(err, ErrAmbiguous), errors.Is(err, line.ErrBabble):
		return drivers.Corrupt
	}
	return drivers.BusError
}
