package drivers

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"testing"

	"soakrig/drivers/bus"
)

func TestAnswerFaults(t *testing.T) {
	crc := &bus.AnswerError{Text: "wrong CRC", Kind: bus.ErrCorrupt}
	for _, c := range []struct {
		err  error
		want Faults
	}{
		{nil, 0},
		{crc, Corrupt},
		{fmt.Errorf("port: %w: 12 34", crc), Corrupt},
		{&bus.AnswerError{Text: "busy", Kind: bus.ErrRefused}, DeviceError},
		{&bus.AnswerError{Text: "silent", Kind: bus.ErrNoAnswer}, Timeout},
		{fmt.Errorf("%w: %w", bus.ErrClosed, io.EOF), BusError},
		{context.DeadlineExceeded, Timeout},
		{os.ErrDeadlineExceeded, Timeout},
		{context.Canceled, BusError},
	} {
		if got := AnswerFaults(c.err); got != c.want {
			t.Errorf("%v: %v, want %v", c.err, got, c.want)
		}
	}
	if !errors.Is(crc, bus.ErrCorrupt) || crc.Error() != "wrong CRC" {
		t.Errorf("%v", crc)
	}
}
