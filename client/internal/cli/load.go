package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"soakrig/client"
	"soakrig/client/internal/archive"
	"soakrig/client/internal/trace"
	"soakrig/daemon/record"
)

// loaded is a run from wherever it came.
type loaded struct {
	run    *archive.Run
	origin string // for people
	// open gives the readings; nil: there are none to be had. They can be read once
	// for each call.
	open func(ctx context.Context) (archive.Readings, func() error, error)
}

// load finds the runs that arguments name: files, folders, recordings, ids. A run that is
// named twice, say by a rig and an archive, is one: counted twice it would pass for its
// own repeat. An empty list is an error of the caller's.
func (s *session) load(ctx context.Context, args []string, mapFile string) ([]*loaded, error) {
	var out []*loaded
	first := map[string]string{} // identity -> origin
	for _, a := range args {
		runs, err := s.loadOne(ctx, a, mapFile)
		if err != nil {
			return nil, err
		}
		for _, l := range runs {
			if origin, ok := first[l.identity()]; ok {
				s.progress("%s from %s is the one from %s and counts once", l.run.Name(), l.origin, origin)
				continue
			}
			first[l.identity()] = l.origin
			out = append(out, l)
		}
	}
	return out, nil
}

// identity is the same for a run wherever it came from; a recording is its file.
func (l *loaded) identity() string {
	if l.run.Record.JournalID != "" {
		return "run " + l.run.ID()
	}
	if path, err := filepath.Abs(l.origin); err == nil {
		return "file " + path
	}
	return "file " + l.origin
}

func (s *session) loadOne(ctx context.Context, arg, mapFile string) ([]*loaded, error) {
	info, err := os.Stat(arg)
	switch {
	case err == nil && (info.IsDir() || strings.HasSuffix(arg, ".parquet")):
		return fromArchives(arg)
	case err == nil:
		return fromTable(arg, mapFile)
	case strings.ContainsAny(arg, "*?["):
		return nil, usagef("no file matches %s; soak collect FOLDER puts run files into a folder, and the folder may be named itself", arg)
	case strings.HasSuffix(arg, ".parquet"), strings.HasSuffix(arg, ".csv"), strings.HasSuffix(arg, "/"), strings.HasPrefix(arg, "."), filepath.IsAbs(arg):
		return nil, usagef("there is no %s; a run is a file, a folder of run files, an id, RIG/id or last", arg)
	}
	if len(s.archive) > 0 {
		return s.fromArchive(arg)
	}
	return s.fromRigs(ctx, arg)
}

// fromArchives is every run of a run file or a folder of them, newest first.
func fromArchives(path string) ([]*loaded, error) {
	entries, err := archive.List([]string{path})
	if err != nil {
		return nil, err
	}
	var out []*loaded
	for i := range entries {
		e := &entries[i]
		if e.Err != nil {
			return nil, fmt.Errorf("%w; move it away, or name the files that are wanted", e.Err)
		}
		out = append(out, fromFile(e))
	}
	if len(entries) == 0 {
		return nil, fmt.Errorf("there are no run files in %s; soak collect puts some there", path)
	}
	return out, nil
}

func fromFile(e *archive.Entry) *loaded {
	return &loaded{run: &e.Run, origin: e.Path, open: func(context.Context) (archive.Readings, func() error, error) {
		f, err := archive.Open(e.Path)
		if err != nil {
			return nil, nil, err
		}
		e.Run.Layouts, e.Run.Events = f.Layouts, f.Events
		return f.Readings(), f.Close, nil
	}}
}

// fromArchive looks an id up in the archives of --archive: RUN, RIG/RUN, or last.
func (s *session) fromArchive(id string) ([]*loaded, error) {
	rig, run, ok := strings.Cut(id, "/")
	if !ok {
		rig, run = "", id
	}
	entries, err := archive.List(s.archive)
	if err != nil {
		return nil, err
	}
	var all, found []*loaded
	var broken []error // a damaged file does not hide the others
	for i := range entries {
		if e := &entries[i]; e.Err != nil {
			broken = append(broken, e.Err)
		} else {
			all = append(all, fromFile(e))
		}
	}
	for _, l := range all { // newest first
		if (rig == "" || l.run.Record.Rig == rig) && (run == "last" || l.run.Record.Start.Run == run) {
			found = append(found, l)
			if run == "last" {
				break
			}
		}
	}
	switch {
	case len(found) == 1:
		return found, nil
	case len(found) > 1:
		return nil, usagef("%d rigs have a run %q: say which, %s", len(found), id, strings.Join(places(found), ", "))
	case len(all) == 0 && len(broken) == 0:
		return nil, fmt.Errorf("there are no run files in %s; soak collect puts some there", strings.Join(s.archive, ", "))
	case len(all) == 0:
		return nil, errors.Join(broken...)
	}
	err = fmt.Errorf("the archive %s has no run %q; it has %s", strings.Join(s.archive, ", "), id, runNames(all))
	return nil, errors.Join(append([]error{err}, broken...)...)
}

// places tell runs of one id apart: by rig, or by file where the rigs are called the same.
func places(runs []*loaded) (names []string) {
	files := []string{}
	for _, l := range runs {
		name := l.run.Record.Rig + "/" + l.run.Record.Start.Run
		if slices.Contains(names, name) {
			name = ""
		}
		names, files = append(names, name), append(files, l.origin)
	}
	if slices.Contains(names, "") {
		return files
	}
	return names
}

// runNames lists some runs by rig and id.
func runNames(runs []*loaded) string {
	const most = 12
	var names []string
	for i, l := range runs {
		if i == most {
			names = append(names, fmt.Sprintf("and %d more", len(runs)-most))
			break
		}
		names = append(names, l.run.Record.Rig+"/"+l.run.Record.Start.Run)
	}
	return strings.Join(names, ", ")
}

// fromTable evaluates a CSV recording, which has no result of its own.
func fromTable(path, mapFile string) ([]*loaded, error) {
	run, readings, closer, err := openFile(path, mapFile)
	if err != nil {
		return nil, err
	}
	run.Result, err = archive.Evaluate(run, readings, nil, nil)
	if err = errors.Join(err, closer()); err != nil {
		return nil, err
	}
	return []*loaded{{run: run, origin: path, open: func(context.Context) (archive.Readings, func() error, error) {
		_, readings, closer, err := openFile(path, mapFile)
		return readings, closer, err
	}}}, nil
}

// fromRigs asks the rigs for a run: RUN, RIG/RUN, or last (the newest of all).
func (s *session) fromRigs(ctx context.Context, id string) ([]*loaded, error) {
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return nil, err
	}
	name, run, ok := strings.Cut(id, "/")
	if !ok {
		name, run = "", id
	}
	var found []*loaded
	var names []string // as the rigs were asked for: they may call themselves the same
	var failed []error
	asked := false
	for _, r := range rigs {
		if name != "" && r.name != name && (r.err != nil || !s.isRig(ctx, r, name)) {
			continue
		}
		asked = true
		if r.err != nil {
			failed = append(failed, r.err)
			continue
		}
		got, err := r.Get(ctx, run)
		if err != nil {
			failed = append(failed, err)
			continue
		}
		l := s.fromRig(r, got)
		if d, err := r.Describe(ctx); err == nil {
			l.run.Record.Simulated = d.Simulated
		}
		found, names = append(found, l), append(names, r.name+"/"+got.Start.Run)
	}
	switch {
	case !asked:
		return nil, usagef("run %q: no rig is called %q; soak status lists the rigs", id, name)
	case len(found) == 0:
		return nil, errors.Join(failed...)
	case run == "last":
		newest := found[0]
		for _, l := range found {
			if l.run.Record.StartedWallNS > newest.run.Record.StartedWallNS {
				newest = l
			}
		}
		return []*loaded{newest}, nil
	case len(found) > 1:
		return nil, usagef("%d rigs have a run %q: say which, %s", len(found), id, strings.Join(names, ", "))
	}
	return found, nil
}

// isRig tells whether a rig calls itself name.
func (s *session) isRig(ctx context.Context, r *namedRig, name string) bool {
	d, err := r.Describe(ctx)
	return err == nil && d.Rig == name
}

// fromRig is a run that a rig has.
func (s *session) fromRig(rig *namedRig, got *client.Run) *loaded {
	run := &archive.Run{Record: archive.Record{Start: got.Start, Rig: got.Rig, State: got.State, FirstSeq: got.FirstSeq, LastSeq: got.LastSeq,
		JournalID: got.Journal}}
	if !got.Started.IsZero() {
		run.Record.StartedWallNS = got.Started.UnixNano()
	}
	if !got.Ended.IsZero() {
		run.Record.EndedWallNS = got.Ended.UnixNano()
	}
	if got.Result != nil {
		run.Result = *got.Result
		archive.Whole(&run.Result)
		run.Record.Settings = got.Result.Settings
	}
	return &loaded{run: run, origin: "rig " + rig.name, open: func(ctx context.Context) (archive.Readings, func() error, error) {
		f := &fetch{rig: rig, run: run}
		return f.readings(ctx), func() error { return nil }, nil
	}}
}

// traces thins a run's readings for a chart.
func (l *loaded) traces(ctx context.Context) (*trace.Set, error) {
	readings, closer, err := l.open(ctx)
	if err != nil {
		return nil, err
	}
	var b *trace.Builder
	at := map[string]int{}
	for x, err := range readings {
		if err != nil {
			return nil, errors.Join(err, closer())
		}
		if b == nil {
			channels := l.run.Layouts[0].Channels
			for i, c := range channels {
				at[c.Name] = i
			}
			from := min(0, x.AtS)
			if x.AtS >= 3600 { // a time column that does not begin near zero
				from = x.AtS
			}
			b = trace.New(channels, from, from+max(l.run.Result.DurationS, 1))
		}
		if i, ok := at[l.run.Of(x).Name]; ok {
			b.Add(i, x.AtS, x.Value, x.Faults)
		}
	}
	if err := closer(); err != nil {
		return nil, err
	}
	if b == nil {
		return nil, nil
	}
	return b.Finish(), nil
}

// needResult makes sure that a run can be shown.
func (l *loaded) needResult() error {
	if l.run.Result.Algorithm == "" {
		return fmt.Errorf("run %s on %s has no result yet", l.run.Record.Start.Run, l.run.Record.Rig)
	}
	return nil
}

// results are the results of runs.
func results(runs []*loaded) ([]*record.Result, error) {
	var out []*record.Result
	for _, l := range runs {
		if err := l.needResult(); err != nil {
			return nil, err
		}
		out = append(out, &l.run.Result)
	}
	return out, nil
}

// fileName is what a file about these runs is called.
func fileName(runs []*loaded, ending string) string {
	name := runs[0].run.Name()
	if len(runs) > 1 {
		name = fmt.Sprintf("soak-%d-runs", len(runs))
	}
	if name == "" {
		name = "recording"
	}
	return filepath.Base(name) + ending
}
