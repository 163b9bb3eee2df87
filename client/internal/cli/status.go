package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/report"
)

// rigStatus is a rig as soak status shows it.
type rigStatus struct {
	Rig         string              `json:"rig"` // as asked for
	Answers     bool                `json:"answers"`
	Error       string              `json:"error,omitempty"`
	Description *client.Description `json:"description,omitempty"`
	Health      *client.Health      `json:"health,omitempty"`
	err         error
}

// statusCommand is soak status.
func (s *session) statusCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "status",
		Short: "How the rigs are: sources, journal, open run",
		Long: `Show each rig: whether it serves, its open run, journal, clock and sources. A rig that
does not answer is listed with the reason; the exit code is then 4.`,
		Example: `  soak status
  soak status --rig bench-1 --rig bench-2 -o json`,
		Args: cobra.NoArgs,
	}
	out := addOutput(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		rigs, err := s.dialAll(cmd.Context())
		if err != nil {
			return err
		}
		all := make([]*rigStatus, len(rigs))
		var wg sync.WaitGroup
		for i, r := range rigs {
			wg.Go(func() { all[i] = statusOf(cmd.Context(), r) })
		}
		wg.Wait()
		var failed error
		for _, st := range all {
			failed = errors.Join(failed, st.err)
		}
		return errors.Join(s.printStatus(all, out.word), failed)
	}
	return cmd
}

func statusOf(ctx context.Context, r *namedRig) *rigStatus {
	st := &rigStatus{Rig: r.name, err: r.err}
	if st.err == nil {
		st.Description, st.err = r.Describe(ctx)
	}
	if st.err == nil {
		st.Health, st.err = r.Health(ctx)
	}
	if st.err != nil {
		st.Error = st.err.Error()
		return st
	}
	st.Answers = true
	return st
}

func (s *session) printStatus(all []*rigStatus, form string) error {
	switch form {
	case "json":
		return writeJSON(s.Stdout, all)
	case "csv":
		t := report.Table{Head: []string{"rig", "answers", "serving", "open_run", "durable", "free_bytes", "clock_synced", "source", "source_state", "source_age_s", "reads", "failures", "late", "text"}}
		for _, st := range all {
			if !st.Answers {
				t.Rows = append(t.Rows, append([]string{st.Rig, "false"}, append(make([]string, 11), st.Error)...))
				continue
			}
			h := st.Health
			for _, src := range h.Sources {
				age := ""
				if src.AgeS != nil {
					age = fmt.Sprintf("%.3g", *src.AgeS)
				}
				t.Rows = append(t.Rows, []string{st.Rig, "true", fmt.Sprint(h.Serving), h.OpenRun, fmt.Sprint(h.Journal.Durable), fmt.Sprint(h.Journal.FreeBytes),
					fmt.Sprint(h.ClockSynced), src.Source, src.State, age, fmt.Sprint(src.Reads), fmt.Sprint(src.Failures), fmt.Sprint(src.Late), src.Text})
			}
		}
		return t.CSV(s.Stdout)
	}
	for i, st := range all {
		if i > 0 {
			fmt.Fprintln(s.Stdout)
		}
		s.printRig(st)
	}
	return nil
}

func (s *session) printRig(st *rigStatus) {
	if !st.Answers {
		state := "does not answer"
		if errors.Is(st.err, client.ErrDenied) {
			state = "refuses access"
		}
		fmt.Fprintf(s.Stdout, "%s  %s\n", st.Rig, state)
		return
	}
	d, h := st.Description, st.Health
	name := d.Rig
	if st.Rig != d.Rig {
		name += " (" + st.Rig + ")"
	}
	state := "serving"
	if !h.Serving {
		state = "not serving yet: a source has not been read"
	}
	if d.Simulated {
		state += fmt.Sprintf("; SIMULATED at %g x, nothing it says is a measurement", d.Speed)
	}
	fmt.Fprintf(s.Stdout, "%s  %s\n", name, state)
	run := h.OpenRun
	if run == "" {
		run = "none"
	}
	fmt.Fprintf(s.Stdout, "  open run  %s\n", run)
	journal := fmt.Sprintf("entries %d to %d, %s, %s free", h.Journal.Oldest, h.Journal.Head, bytesText(h.Journal.Bytes), bytesText(h.Journal.FreeBytes))
	if !h.Journal.Durable {
		journal = "NOT DURABLE: " + h.Journal.Text + "; " + journal
	}
	fmt.Fprintf(s.Stdout, "  journal   %s\n", journal)
	clock := "synchronised"
	if !h.ClockSynced {
		clock = "not synchronised: wall times may be wrong, run times are not"
	}
	fmt.Fprintf(s.Stdout, "  clock     %s, %s\n", h.Wall.Format("2006-01-02 15:04:05 UTC"), clock)
	t := report.Table{Head: []string{"source", "state", "newest", "reads", "failed", "late", ""}, Right: []bool{false, false, true, true, true, true, false}}
	for _, src := range h.Sources {
		age := "never"
		if src.AgeS != nil {
			age = report.Length(*src.AgeS) + " ago"
		}
		t.Rows = append(t.Rows, []string{src.Source, src.State, age, fmt.Sprint(src.Reads), fmt.Sprint(src.Failures), fmt.Sprint(src.Late), src.Text})
	}
	fmt.Fprint(s.Stdout, indent(t.Plain()))
}

func indent(text string) string {
	return "  " + strings.ReplaceAll(strings.TrimSuffix(text, "\n"), "\n", "\n  ") + "\n"
}

func bytesText(n uint64) string {
	units := []string{"B", "KiB", "MiB", "GiB", "TiB"}
	v, i := float64(n), 0
	for v >= 1024 && i < len(units)-1 {
		v, i = v/1024, i+1
	}
	return fmt.Sprintf("%.3g %s", v, units[i])
}
