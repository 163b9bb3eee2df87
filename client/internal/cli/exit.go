package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"syscall"

	"soakrig/client"
	"soakrig/daemon/record"
)

// Exit codes; soak help exit-codes documents them.
const (
	exitOK          = 0
	exitFailure     = 1
	exitUsage       = 2
	exitFail        = 3 // a run's verdict is fail
	exitUnreachable = 4 // a rig does not answer
	exitUndecided   = 5 // a run's verdict is void or marginal
)

// exitError ends soak with a code. With quiet there is nothing more to say.
type exitError struct {
	code  int
	quiet bool
	err   error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error {
	return &exitError{code: exitUsage, err: fmt.Errorf(format, args...)}
}

// verdictExit is the exit of a command that judged runs: the worst verdict counts.
func verdictExit(results ...*record.Result) error {
	code := exitOK
	for _, r := range results {
		switch r.Verdict {
		case record.VerdictFail:
			code = exitFail
		case record.VerdictVoid, record.VerdictMarginal:
			if code == exitOK {
				code = exitUndecided
			}
		}
	}
	if code == exitOK {
		return nil
	}
	return &exitError{code: code, quiet: true}
}

// tell says what went wrong and gives the exit code.
func tell(w io.Writer, err error) int {
	if err == nil || errors.Is(err, syscall.EPIPE) {
		return exitOK
	}
	code := exitFailure
	var exit *exitError
	switch {
	case errors.As(err, &exit):
		code = exit.code
		if exit.quiet {
			return code
		}
	case errors.Is(err, client.ErrUnreachable):
		code = exitUnreachable
	}
	text := strings.ReplaceAll(err.Error(), "\n", "\n      ")
	if errors.Is(err, context.Canceled) {
		text = "interrupted"
	}
	fmt.Fprintf(w, "soak: %s\n", text)
	return code
}

const exitCodesHelp = `Exit codes of every command:
  0  done; for commands that judge a run: pass, or measured without a limit
  1  failure
  2  usage: a wrong flag, argument or channel map
  3  the verdict of a run is fail
  4  a rig does not answer
  5  the verdict of a run is void or marginal
`
