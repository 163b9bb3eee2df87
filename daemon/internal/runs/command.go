package runs

import (
	"context"
	"fmt"
	"os/exec"
	"strings"
	"time"

	"soakrig/daemon/record"
)

// Limits of a command that a phase starts.
const (
	commandTime   = 60 * time.Second
	commandOutput = 64 << 10 // bytes kept
)

// command runs the program of a phase, as an argument list without a shell, and
// stores how it went with the end of its output.
func (m *Manager) command(ctx context.Context, run string, p record.PhasePlan) {
	m.execute(ctx, run, p.Phase, p.Command)
}

// StopCommand runs the site's program at a stop request, in the background.
func (m *Manager) StopCommand(ctx context.Context, run string, args []string) {
	go m.execute(ctx, run, "", record.Command{Args: args})
}

func (m *Manager) execute(ctx context.Context, run string, phase record.Phase, c record.Command) {
	limit := commandTime
	if c.TimeoutS > 0 {
		limit = time.Duration(c.TimeoutS * float64(time.Second))
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	cmd := exec.CommandContext(ctx, c.Args[0], c.Args[1:]...)
	cmd.WaitDelay = time.Second
	cmd.Env = append(cmd.Environ(), "SOAK_RUN="+run, "SOAK_PHASE="+string(phase))
	var out tail
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	text := fmt.Sprintf("%s: ok", strings.Join(c.Args, " "))
	if err != nil {
		text = fmt.Sprintf("%s: %v", strings.Join(c.Args, " "), err)
	}
	if s := strings.TrimSpace(out.String()); s != "" {
		text += "\n" + s
	}
	if _, err := m.o.Journal.Append(m.o.Clock.Now(), &record.RunEvent{Run: run, Event: "command", Phase: phase, Text: text}); err != nil {
		m.o.Log.Error("outcome of a command can't be stored", "run", run, "error", err)
	}
}

// tail keeps the last bytes written to it.
type tail struct{ b []byte }

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	if over := len(t.b) - commandOutput; over > 0 {
		t.b = append(t.b[:0], t.b[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string { return strings.ToValidUTF8(string(t.b), "?") }
