package modbus

import (
	"encoding/binary"
	"fmt"
)

// Function is a function code. Only the two that read registers exist.
type Function uint8

// The functions that can be sent.
const (
	ReadHolding Function = 3
	ReadInput   Function = 4
)

// MaxRegisters is the most registers one request may ask for
// (Modbus application protocol V1.1b3, from memory).
const MaxRegisters = 125

// Request asks one unit for consecutive 16-bit registers.
type Request struct {
	Unit     uint8    // 1..247; 248 is used by some single modules; 0 and 255 only over TCP
	Function Function // ReadHolding or ReadInput
	Address  uint16   // of the first register on the wire, counted from 0
	Count    int      // 1..MaxRegisters
}

// String names the request in the way errors do.
func (r Request) String() string {
	kind := "holding"
	if r.Function == ReadInput {
		kind = "input"
	}
	return fmt.Sprintf("read %s registers %d..%d of unit %d", kind, r.Address, int(r.Address)+r.Count-1, r.Unit)
}

// check refuses what must never reach the line; size is the caller's buffer in bytes.
func (r Request) check(size int) error {
	switch {
	case r.Function != ReadHolding && r.Function != ReadInput:
		return fmt.Errorf("%w: function %d: this master only reads registers (3 and 4)", ErrRequest, r.Function)
	case r.Count < 1 || r.Count > MaxRegisters:
		return fmt.Errorf("%w: %d registers: between 1 and %d fit in one request", ErrRequest, r.Count, MaxRegisters)
	case int(r.Address)+r.Count > 1<<16:
		return fmt.Errorf("%w: registers %d..%d: the last address is 65535", ErrRequest, r.Address, int(r.Address)+r.Count-1)
	case size != 2*r.Count:
		return fmt.Errorf("%w: buffer of %d bytes for %d registers", ErrRequest, size, r.Count)
	}
	return nil
}

// appendPDU appends function, address and count.
func (r Request) appendPDU(b []byte) []byte {
	b = append(b, byte(r.Function))
	b = binary.BigEndian.AppendUint16(b, r.Address)
	return binary.BigEndian.AppendUint16(b, uint16(r.Count))
}
