package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"

	"soakrig/client"
)

// TestTell: what people read at the end, and the code that scripts read.
func TestTell(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
		text string
	}{
		{nil, exitOK, ""},
		{fmt.Errorf("write: %w", syscall.EPIPE), exitOK, ""},
		{errors.Join(context.Canceled, errors.New("rig a: gone")), exitFailure, "soak: interrupted\n"},
		{fmt.Errorf("rig a: %w", client.ErrUnreachable), exitUnreachable, "soak: rig a: " + client.ErrUnreachable.Error() + "\n"},
		{errors.Join(errors.New("one"), errors.New("two")), exitFailure, "soak: one\n      two\n"},
	} {
		var b strings.Builder
		if code := tell(&b, c.err); code != c.code || b.String() != c.text {
			t.Errorf("%v: code %d, %q; want %d, %q", c.err, code, b.String(), c.code, c.text)
		}
	}
}
