package cli

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/archive"
	"soakrig/client/internal/report"
)

// collected counts what soak collect did with one rig.
type collected struct {
	Rig    string `json:"rig"`
	Stored int    `json:"stored"`
	Kept   int    `json:"kept"` // were there already and are whole
	Open   int    `json:"open"` // not ended yet
	Error  string `json:"error,omitempty"`
}

// collectCommand is soak collect.
func (s *session) collectCommand() *cobra.Command {
	var quick bool
	cmd := &cobra.Command{
		Use:   "collect FOLDER",
		Short: "Pull every finished run of every rig into an archive folder",
		Long: `Put each finished run into FOLDER/<rig>/<unit>_<setup>_<run>.parquet: one
self-contained file with readings, faults, raw evidence, the run's record, result,
layouts and uncertainty budget, which data tools read directly. FOLDER/SHA256SUMS holds
the checksums (sha256sum -c SHA256SUMS).

It can be cut off at any moment and started again: files appear whole or not at all,
are never overwritten, and those that are there are checked and kept. A run that was cut
off in the middle goes on where it was: a rig that goes away is waited for up to a
minute, and the next collect has the rest. A rig that does not answer does not keep the
others waiting; the exit code is then 4.`,
		Example: `  soak collect archive
  soak collect archive --rig bench-1
  soak compare archive && soak report archive -f all.html`,
		Args: cobra.ExactArgs(1),
	}
	out := addOutput(cmd)
	cmd.Flags().BoolVar(&quick, "quick", false, "do not check the sums of files that are there")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		rigs, err := s.dialAll(cmd.Context())
		if err != nil {
			return err
		}
		a := archive.OpenFolder(args[0])
		unlock, err := a.Lock()
		if err != nil {
			return err
		}
		counts, err := s.collectAll(cmd.Context(), collecting{folder: a, quick: quick}, rigs)
		return errors.Join(s.printCollected(counts, out.word), err, unlock())
	}
	return cmd
}

// collecting is where the runs go, and how closely what is there is looked at.
type collecting struct {
	folder *archive.Folder
	quick  bool // files that are there are taken for whole
}

// collectAll takes the runs of all rigs at once, so that a slow one keeps nobody waiting.
func (s *session) collectAll(ctx context.Context, c collecting, rigs []*namedRig) ([]collected, error) {
	counts := make([]collected, len(rigs))
	failed := make([]error, len(rigs))
	what := make([]*client.Description, len(rigs))
	each := func(do func(i int)) {
		var wg sync.WaitGroup
		for i := range rigs {
			wg.Go(func() { do(i) })
		}
		wg.Wait()
	}
	each(func(i int) {
		if failed[i] = rigs[i].err; failed[i] == nil {
			what[i], failed[i] = rigs[i].Describe(ctx)
		}
	})
	oneNameOneRig(rigs, what, failed)
	each(func(i int) {
		counts[i].Rig = rigs[i].name
		if failed[i] == nil {
			failed[i] = s.collect(ctx, c, rigs[i], what[i], &counts[i])
		}
		if failed[i] != nil {
			counts[i].Error = failed[i].Error()
		}
	})
	return counts, errors.Join(failed...)
}

// oneNameOneRig fails a rig that calls itself as one before it does: their runs would
// stand in one folder, and in a comparison their probes and converters would be taken
// for the same.
func oneNameOneRig(rigs []*namedRig, what []*client.Description, failed []error) {
	for i, d := range what {
		for j, other := range what[:i] {
			if failed[i] == nil && failed[j] == nil && other.Rig == d.Rig && other.Journal.ID != d.Journal.ID {
				failed[i] = fmt.Errorf("rigs %s and %s both call themselves %s, and their runs would be taken for those of one rig: give one of them another name (rig: in its rig.yaml)",
					rigs[j].name, rigs[i].name, d.Rig)
			}
		}
	}
}

// collect takes the runs of one rig, oldest last: what is newest is wanted first.
func (s *session) collect(ctx context.Context, c collecting, r *namedRig, d *client.Description, n *collected) error {
	var ids []string
	err := r.List(ctx, "", func(run *client.Run) error {
		if run.State != "ended" {
			n.Open++
			return nil
		}
		ids = append(ids, run.Start.Run)
		return nil
	})
	if err != nil {
		return err
	}
	var failed error
	for i, id := range ids {
		outcome, err := s.collectRun(ctx, c, r, d, id)
		switch {
		case ctx.Err() != nil:
			s.progress("%s: %d of %d runs seen to; the next collect goes on from there", r.name, i, len(ids))
			return errors.Join(failed, ctx.Err())
		case errors.Is(err, client.ErrUnreachable):
			return errors.Join(failed, err)
		case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT): // the next run would not fit either
			return errors.Join(failed, fmt.Errorf("run %s of %s: %w; make room and collect again: what is stored is kept", id, r.name, err))
		case err != nil:
			failed = errors.Join(failed, fmt.Errorf("run %s of %s: %w", id, r.name, err))
		case outcome == archive.Stored:
			n.Stored++
			s.progress("%s: %s stored (%d of %d)", r.name, id, i+1, len(ids))
		default:
			n.Kept++
		}
	}
	return failed
}

func (s *session) collectRun(ctx context.Context, c collecting, r *namedRig, d *client.Description, id string) (archive.Outcome, error) {
	got, err := r.Get(ctx, id)
	if err != nil {
		return "", err
	}
	l := s.fromRig(r, got)
	if l.run.Record.Rig == "" {
		l.run.Record.Rig = d.Rig
	}
	l.run.Record.Simulated = d.Simulated
	if c.quick && c.folder.There(l.run) {
		return archive.Kept, nil
	}
	if err := l.needResult(); err != nil {
		return "", err
	}
	return c.folder.Collect(l.run, func(p *archive.Pages) archive.Readings {
		return (&fetch{rig: r, run: l.run, kept: p, outage: collectOutage}).readings(ctx)
	})
}

// collectOutage is how long a rig may be away in the middle of a run before the rest
// is left to the next soak collect.
const collectOutage = time.Minute

func (s *session) printCollected(counts []collected, form string) error {
	if form == "json" {
		return writeJSON(s.Stdout, counts)
	}
	t := report.Table{Head: []string{"rig", "stored", "kept", "open", "error"}, Right: []bool{false, true, true, true, false}}
	for _, c := range counts {
		t.Rows = append(t.Rows, []string{c.Rig, fmt.Sprint(c.Stored), fmt.Sprint(c.Kept), fmt.Sprint(c.Open), c.Error})
	}
	if form == "csv" {
		return t.CSV(s.Stdout)
	}
	t.Head = t.Head[:4]
	for i := range t.Rows {
		t.Rows[i] = t.Rows[i][:4]
	}
	_, err := fmt.Fprint(s.Stdout, t.Plain())
	return err
}
