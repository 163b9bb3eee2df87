package journal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// layout is a store whose files lie as few stores' do.
type layout struct {
	name string
	n    uint64 // entries that were acknowledged
	make func(t *testing.T, opts Options) string
}

// layouts are stores of which each file is damaged in turn.
func layouts() []layout {
	fill := func(n uint64, clean bool) func(t *testing.T, opts Options) string {
		return func(t *testing.T, opts Options) string {
			if n > 4000 {
				opts.tune.rotateBytes = 48 << 10
			}
			j := open(t, opts)
			putRecords(t, j)
			for k := uint64(1); k <= n; k += 100 {
				appendN(t, j, k, min(100, n+1-k))
				commit(t, j)
				sealedUp(t, j)
			}
			j.workersIdle()
			return leave(t, j, clean)
		}
	}
	return []layout{
		{"one row", 1, fill(1, true)},
		{"one row, killed", 1, fill(1, false)},
		{"one block", 800, fill(800, true)}, // of eight rows, which small() seals
		{"a block and rows, killed", 1000, fill(1000, false)},
		{"several files", 4300, fill(4300, true)},
		{"several files, killed", 4300, fill(4300, false)},
		{"newest file empty, killed", 900, func(t *testing.T, opts Options) string { return freshFile(t, opts, 900, false) }},
		{"newest file empty", 900, func(t *testing.T, opts Options) string { return freshFile(t, opts, 900, true) }},
		{"killed while sealing", 900, midSeal},
	}
}

// leave ends a journal and gives the folder that is left.
func leave(t *testing.T, j *Journal, clean bool) string {
	t.Helper()
	if !clean {
		return asKilled(t, j)
	}
	must(t, j.Close())
	return j.opts.Dir
}

// freshFile is a store that rotated and has stored nothing since.
func freshFile(t *testing.T, opts Options, n uint64, clean bool) string {
	j := open(t, opts)
	putRecords(t, j)
	for k := uint64(1); k <= n; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	dir := leave(t, j, clean)
	w, err := createFile(dir, j.ID(), n+1, n+opts.tune.reserve)
	must(t, err)
	if clean {
		must(t, inTx(w.conn, func(ctx context.Context) error { return w.putMeta(ctx, "clean", formatSeq(n)) }))
	} else {
		must(t, keepLog(w.conn))
	}
	w.close()
	return dir
}

// midSeal is a store of two files of which neither is sealed: blocks lie beside the rows
// that they were packed from.
func midSeal(t *testing.T, opts Options) string {
	opts.tune.sealRows = 1 << 30
	opts.tune.fault = func(op string) error {
		if op == "finish" {
			return errors.New("killed")
		}
		return nil
	}
	opts.tune.rotateBytes = 36 << 10
	j := open(t, opts)
	putRecords(t, j)
	const n = 900
	for k := uint64(1); k <= n; k += 100 {
		appendN(t, j, k, 100)
		commit(t, j)
	}
	packed := j.w.file.pack(t.Context(), n)
	must(t, packed.err)
	must(t, inTx(j.w.conn, func(ctx context.Context) error { return j.w.insertBlocks(ctx, packed.blocks) }))
	return asKilled(t, j)
}

// What putRecords stores.
func storedRuns() (out []RunRow) {
	peak := 91.5
	for i := range 9 {
		out = append(out, RunRow{
			Start: record.RunStart{Run: fmt.Sprintf("2026-06-01-%d", i+1), Unit: "carrier-a"}, State: "ended",
			FirstSeq: uint64(100 * (i + 1)), LastSeq: uint64(100*(i+1) + 50),
			Result: &record.Result{Verdict: record.VerdictPass, Peak: &record.Peak{HeldC: peak}},
		})
	}
	return out
}

func storedCalibrations() []record.Calibration {
	return []record.Calibration{{ID: "c1", Channel: "vr1", OffsetK: 0.25}, {ID: "c2", Channel: "vr2", OffsetK: -0.5}}
}

func storedPins() []pin { return []pin{{"run a", 1, 1}, {"run b", 300, 350}} }

func putRecords(t *testing.T, j *Journal) {
	t.Helper()
	for i, r := range storedRuns() {
		if i == 4 {
			must(t, j.records.copyOut())
		}
		must(t, j.PutRun(r))
	}
	for _, c := range storedCalibrations() {
		must(t, j.PutCalibration(c))
	}
	for _, p := range storedPins() {
		must(t, j.Pin(p.Name, p.From, p.To))
	}
	must(t, j.PutLayout(&record.Layout{ID: 7}))
}

// judgeRecords compares what is stored beside the samples. lost counts what is gone or
// told to be damaged; silent is true when nothing was said about it.
func judgeRecords(t *testing.T, what string, j *Journal) (lost int, silent bool) {
	t.Helper()
	runs, err := j.Runs(RunFilter{})
	if err != nil {
		t.Errorf("%s: runs: %v", what, err)
	}
	bad := false
	for _, r := range runs {
		if r.State == StateDamaged {
			bad = true
			continue
		}
		if !slices.ContainsFunc(storedRuns(), func(s RunRow) bool { return reflect.DeepEqual(s, r) }) {
			t.Errorf("%s: WRONG VALUE: run %+v", what, r)
		}
		lost--
	}
	lost += len(storedRuns())
	cals, err := j.Calibrations()
	if err != nil && !errors.Is(err, ErrDamaged) {
		t.Errorf("%s: calibrations: %v", what, err)
	}
	bad = bad || err != nil
	for _, c := range cals {
		if !slices.ContainsFunc(storedCalibrations(), func(s record.Calibration) bool { return reflect.DeepEqual(s, c) }) {
			t.Errorf("%s: WRONG VALUE: calibration %+v", what, c)
		}
	}
	lost += len(storedCalibrations()) - len(cals)
	for _, p := range j.pins {
		if !slices.Contains(storedPins(), p) {
			t.Errorf("%s: WRONG VALUE: pin %+v", what, p)
		}
	}
	lost += len(storedPins()) - len(j.pins)
	if _, err := j.Layout(7); err != nil {
		lost++
		bad = bad || errors.Is(err, ErrDamaged)
	}
	_, texts := events(t, j, 1)
	return lost, lost > 0 && !bad && !strings.Contains(texts, recordsName)
}

// blow is one way to damage a file's bytes at a place.
type blow struct {
	name string
	step int
	do   func(p []byte, at int, rng *rand.Rand) []byte
}

func blows() []blow {
	zero := func(n int) func([]byte, int, *rand.Rand) []byte {
		return func(p []byte, at int, _ *rand.Rand) []byte { clear(p[at:min(at+n, len(p))]); return p }
	}
	exchange := func(n int) func([]byte, int, *rand.Rand) []byte {
		return func(p []byte, at int, rng *rand.Rand) []byte {
			if len(p) < 2*n {
				return p
			}
			at = min(at, len(p)-n)
			with := rng.IntN(len(p)/n) * n
			held := slices.Clone(p[at : at+n])
			copy(p[at:at+n], p[with:with+n])
			copy(p[with:with+n], held)
			return p
		}
	}
	return []blow{
		{"cut", 512, func(p []byte, at int, _ *rand.Rand) []byte { return p[:at] }},
		{"bit flipped", 256, func(p []byte, at int, rng *rand.Rand) []byte {
			p[min(at+rng.IntN(256), len(p)-1)] ^= 1 << rng.IntN(8)
			return p
		}},
		{"512 bytes zero", 512, zero(512)},
		{"4096 bytes zero", 4096, zero(4096)},
		{"512 bytes exchanged", 512, exchange(512)},
		{"4096 bytes exchanged", 4096, exchange(4096)},
	}
}

// TestSectors damages every file of every layout at every place. No store may be
// refused, no value may be wrong, and what is lost must be told.
func TestSectors(t *testing.T) {
	rng := seeded(t)
	for _, l := range layouts() {
		t.Run(l.name, func(t *testing.T) {
			from := l.make(t, small(t.TempDir()))
			if o := judge(t, "undamaged", copyDir(t, from), l.n); o.refused || o.missing > 0 {
				t.Fatalf("undamaged: %+v", o)
			}
			entries, err := os.ReadDir(from)
			must(t, err)
			for _, e := range entries {
				info, err := e.Info()
				must(t, err)
				if e.Name() == "lock" || info.Size() == 0 {
					continue
				}
				for i, b := range blows() {
					if *damages == 1 && (i+rng.IntN(3))%3 != 0 { // the short form: some of them
						continue
					}
					strike(t, l, from, e.Name(), int(info.Size()), b, rng)
				}
			}
		})
	}
}

// strike makes one kind of damage at places all over a file.
func strike(t *testing.T, l layout, from, name string, size int, b blow, rng *rand.Rand) {
	trials, missing, worst, records, refused := 0, 0, 0, 0, 0
	stride := b.step
	for *damages < 20 && size/stride > *damages {
		stride += b.step
	}
	tmp := t.TempDir()
	for at := rng.IntN(max(stride/b.step, 1)) * b.step; at < size; at += stride {
		dir := filepath.Join(tmp, "store")
		must(t, os.CopyFS(dir, os.DirFS(from)))
		edit(t, filepath.Join(dir, name), func(p []byte) []byte { return b.do(p, at, rng) })
		what := fmt.Sprintf("%s: %s: %s at %d of %d", l.name, name, b.name, at, size)
		trials++
		o, lost := judgeTwice(t, what, dir, l.n)
		if o.refused {
			refused++
			t.Errorf("%s: refused", what)
		}
		missing += o.missing
		worst = max(worst, o.missing)
		records += lost
		must(t, os.RemoveAll(dir))
	}
	t.Logf("%-22s %-32s %4d trials: %d refused; missing at most %d of %d, together %d; rows of records lost %d", b.name, name, trials, refused, worst, l.n, missing, records)
}

// judgeTwice judges a store and starts it once more, when nothing more may be gone.
func judgeTwice(t *testing.T, what, dir string, n uint64) (outcome, int) {
	t.Helper()
	o, lost := judgeAll(t, what, dir, n)
	if o.refused {
		return o, lost
	}
	again, lostAgain := judgeAll(t, what+", again", dir, n)
	if again.refused || again.missing > o.missing || lostAgain > lost {
		t.Errorf("%s: at the next start %+v and %d rows, before %+v and %d", what, again, lostAgain, o, lost)
	}
	return o, lost
}

func judgeAll(t *testing.T, what, dir string, n uint64) (o outcome, lost int) {
	t.Helper()
	o = judge(t, what, dir, n)
	if o.refused {
		return o, 0
	}
	j, err := Open(small(dir))
	if err != nil {
		t.Errorf("%s: second start: %v", what, err)
		return o, 0
	}
	defer j.Close()
	_, err = j.Append(entryFor(n + 2))
	must(t, err)
	var silent bool
	if lost, silent = judgeRecords(t, what, j); silent {
		t.Errorf("%s: %d rows of records are gone silently", what, lost)
	}
	return o, lost
}
