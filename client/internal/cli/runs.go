package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/archive"
	"soakrig/client/internal/report"
	"soakrig/daemon/record"
)

// runLine is one run of a list.
type runLine struct {
	Rig     string         `json:"rig"`
	Run     string         `json:"run"`
	Unit    string         `json:"unit"`
	Setup   string         `json:"setup"`
	State   string         `json:"state"`
	Started string         `json:"started,omitempty"` // RFC 3339
	Ended   string         `json:"ended,omitempty"`
	File    string         `json:"file,omitempty"`
	Verdict record.Verdict `json:"verdict,omitempty"`
	Limited bool           `json:"limited"`
	PeakC   *float64       `json:"peak_c,omitempty"`
	PeakUK  *float64       `json:"peak_expanded_k,omitempty"`
	HotSpot string         `json:"hot_spot,omitempty"`
	started time.Time
	atLeast bool // a probe was lost
}

// runsCommand is soak runs.
func (s *session) runsCommand() *cobra.Command {
	var unit string
	var most int
	cmd := &cobra.Command{
		Use:   "runs",
		Short: "List runs of rigs or archives, newest first",
		Example: `  soak runs --unit carrier-7
  soak runs --archive archive -o csv`,
		Args: cobra.NoArgs,
	}
	out := addOutput(cmd)
	cmd.Flags().StringVar(&unit, "unit", "", "only runs of this `UNIT`")
	complete(cmd, "unit", func(string) []string { return s.units(cmd) })
	cmd.Flags().IntVarP(&most, "max", "n", 0, "list at most `N` runs; 0: all")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		var lines []runLine
		var failed error
		var err error
		if len(s.archive) > 0 {
			lines, failed, err = archiveLines(s.archive, unit)
		} else {
			lines, failed, err = s.rigLines(cmd.Context(), unit, most)
		}
		if err != nil {
			return err
		}
		slices.SortStableFunc(lines, func(a, b runLine) int { return b.started.Compare(a.started) })
		if most > 0 && len(lines) > most {
			lines = lines[:most]
		}
		if failed != nil && len(lines) == 0 {
			return failed
		}
		return errors.Join(s.printRuns(lines, out.word), failed)
	}
	return cmd
}

func archiveLines(dirs []string, unit string) (lines []runLine, failed, err error) {
	entries, err := archive.List(dirs)
	if err != nil {
		return nil, nil, err
	}
	for i := range entries {
		e := &entries[i]
		if e.Err != nil {
			failed = errors.Join(failed, e.Err)
			continue
		}
		if rec := &e.Run.Record; unit == "" || rec.Start.Unit == unit {
			l := lineOf(&client.Run{Rig: rec.Rig, Start: rec.Start, State: rec.State, Started: wall(rec.StartedWallNS), Ended: wall(rec.EndedWallNS), Result: &e.Run.Result})
			l.File = e.Path
			lines = append(lines, l)
		}
	}
	return lines, failed, nil
}

func wall(ns int64) time.Time {
	if ns == 0 {
		return time.Time{}
	}
	return time.Unix(0, ns).UTC()
}

func (s *session) rigLines(ctx context.Context, unit string, most int) (lines []runLine, failed, err error) {
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return nil, nil, err
	}
	enough := errors.New("enough")
	for _, r := range rigs {
		if r.err != nil {
			failed = errors.Join(failed, r.err)
			continue
		}
		n := 0
		err := r.List(ctx, unit, func(run *client.Run) error {
			if n++; most > 0 && n > most {
				return enough
			}
			l := lineOf(run)
			l.Rig = cmp.Or(run.Rig, r.name)
			lines = append(lines, l)
			return nil
		})
		if err != nil && !errors.Is(err, enough) {
			failed = errors.Join(failed, err)
		}
	}
	return lines, failed, nil
}

func lineOf(r *client.Run) runLine {
	l := runLine{Rig: r.Rig, Run: r.Start.Run, Unit: r.Start.Unit, Setup: r.Start.Setup.Name, State: r.State, started: r.Started}
	if !r.Started.IsZero() {
		l.Started = r.Started.Format(time.RFC3339)
	}
	if !r.Ended.IsZero() {
		l.Ended = r.Ended.Format(time.RFC3339)
	}
	if res := r.Result; res != nil {
		l.Verdict, l.Limited = res.Verdict, res.Limited
		if res.Peak != nil {
			l.atLeast = res.Peak.LowerBound
			l.PeakC, l.PeakUK, l.HotSpot = &res.Peak.HeldC, &res.Peak.ExpandedK, res.Peak.Channel
		}
	}
	return l
}

func (s *session) printRuns(lines []runLine, form string) error {
	if form == "json" {
		if lines == nil {
			lines = []runLine{}
		}
		return writeJSON(s.Stdout, lines)
	}
	t := report.Table{Head: []string{"rig", "run", "unit", "setup", "state", "started", "verdict", "peak °C", "hot spot"},
		Right: []bool{false, false, false, false, false, false, false, true, false}}
	if form == "csv" {
		t.Head = []string{"rig", "run", "unit", "setup", "state", "started", "ended", "verdict", "limited", "peak_c", "peak_expanded_k", "hot_spot", "file"}
	}
	for _, l := range lines {
		verdict, peak, peakU, shown := string(l.Verdict), "", "", "–"
		if l.PeakC != nil {
			peak, peakU, shown = fmt.Sprintf("%.6g", *l.PeakC), fmt.Sprintf("%.6g", *l.PeakUK), report.Measured(*l.PeakC, *l.PeakUK)
			if l.atLeast {
				shown = "≥ " + shown
			}
		}
		if form == "csv" {
			t.Rows = append(t.Rows, []string{l.Rig, l.Run, l.Unit, l.Setup, l.State, l.Started, l.Ended, verdict, fmt.Sprint(l.Limited), peak, peakU, l.HotSpot, l.File})
			continue
		}
		if l.Limited {
			verdict += ", limited"
		}
		t.Rows = append(t.Rows, []string{l.Rig, l.Run, l.Unit, l.Setup, l.State, l.Started, verdict, shown, l.HotSpot})
	}
	if form == "csv" {
		return t.CSV(s.Stdout)
	}
	if len(lines) == 0 {
		s.progress("there are no runs")
		return nil
	}
	_, err := fmt.Fprint(s.Stdout, t.Plain())
	return err
}
