package modbus

import (
	"errors"
	"fmt"

	"soakrig/drivers/bus"
)

// What can be wrong with an answer. They are wrapped with the port, the request and
// the bytes at fault.
var (
	ErrRequest          = errors.New("request refused")                                                  // never sent
	ErrTimeout    error = &bus.AnswerError{Text: "no complete answer in time", Kind: bus.ErrNoAnswer}    // silence, or a part of a frame
	ErrCRC        error = &bus.AnswerError{Text: "wrong CRC", Kind: bus.ErrCorrupt}                      // RTU
	ErrUnit       error = &bus.AnswerError{Text: "answer from an unexpected unit", Kind: bus.ErrCorrupt} // somebody else's answer
	ErrFunction   error = &bus.AnswerError{Text: "answer to an unexpected function", Kind: bus.ErrCorrupt}
	ErrByteCount  error = &bus.AnswerError{Text: "wrong byte count", Kind: bus.ErrCorrupt}
	ErrLength     error = &bus.AnswerError{Text: "impossible frame length", Kind: bus.ErrCorrupt}             // TCP
	ErrProtocol   error = &bus.AnswerError{Text: "not Modbus TCP", Kind: bus.ErrCorrupt}                      // TCP: header makes no sense
	ErrEcho       error = &bus.AnswerError{Text: "own request came back", Kind: bus.ErrCorrupt}               // RTU without the echo option, or an echo that differs
	ErrAmbiguous  error = &bus.AnswerError{Text: "two answers to one request", Kind: bus.ErrCorrupt}          // RTU: an old one was still on its way
	ErrQuarantine error = &bus.AnswerError{Text: "line was not quiet for long enough", Kind: bus.ErrNoAnswer} // RTU: nothing was sent
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

// Unwrap says that the device refused.
func (e *Exception) Unwrap() error { return bus.ErrRefused }

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
