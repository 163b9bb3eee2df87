package journal

import (
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

func TestRunsCalibrationsAndPins(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, Ballast: -1})
	if _, err := j.Run("none"); !errors.Is(err, ErrNoRun) {
		t.Errorf("no run: %v", err)
	}
	if err := j.PutRun(RunRow{}); err == nil {
		t.Error("a run without an id was stored")
	}
	peak := 91.5
	var want []RunRow
	for i := range 12 {
		r := RunRow{
			Start: record.RunStart{Run: fmt.Sprintf("2026-06-01-%d", i+1), Unit: []string{"carrier-a", "carrier-b"}[i%2]},
			State: "ended", FirstSeq: uint64(100 * (i + 1)), LastSeq: uint64(100*(i+1) + 50),
			StartedAt: record.Stamp{Boot: record.BootID{7}, BootNS: int64(i)},
			Result:    &record.Result{Verdict: record.VerdictPass, Peak: &record.Peak{HeldC: peak}},
		}
		want = append([]RunRow{r}, want...)
		if err := j.PutRun(r); err != nil {
			t.Fatal(err)
		}
	}
	cal := record.Calibration{ID: "c1", Channel: "vr1", OffsetK: 0.25, Table: []record.Correction{{ReferenceC: 0, CorrectionK: 0.1}}}
	if err := errors.Join(j.PutCalibration(cal), j.Pin("2026-06-01-3", 300, 350)); err != nil {
		t.Fatal(err)
	}
	if err := j.PutCalibration(record.Calibration{}); err == nil {
		t.Error("a calibration without an id was stored")
	}
	if err := j.records.copyOut(); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	check := func(j *Journal) {
		t.Helper()
		got, err := j.Runs(RunFilter{})
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("runs %+v, %v", got, err)
		}
		got, err = j.Runs(RunFilter{Unit: "carrier-b", Before: "2026-06-01-10", Limit: 2})
		if err != nil || len(got) != 2 || got[0].Start.Run != "2026-06-01-8" || got[1].Start.Run != "2026-06-01-6" {
			t.Errorf("filtered %+v, %v", got, err)
		}
		if _, err := j.Runs(RunFilter{Before: "none"}); !errors.Is(err, ErrNoRun) {
			t.Errorf("before no run: %v", err)
		}
		one, err := j.Run("2026-06-01-10")
		if err != nil || !reflect.DeepEqual(one, want[2]) {
			t.Errorf("run %+v, %v", one, err)
		}
		cals, err := j.Calibrations()
		if err != nil || !reflect.DeepEqual(cals, []record.Calibration{cal}) {
			t.Errorf("calibrations %+v, %v", cals, err)
		}
		if len(j.pins) != 1 || j.pins[0] != (pin{"2026-06-01-3", 300, 350}) {
			t.Errorf("pins %+v", j.pins)
		}
	}
	j = open(t, Options{Dir: dir, Ballast: -1})
	check(j)
	if _, err := j.records.conn.ExecContext(t.Context(), "UPDATE run SET d = replace(d, '91.5', '81.5') WHERE key = '2026-06-01-10'"); err != nil {
		t.Fatal(err)
	}
	if _, err := j.Run("2026-06-01-10"); !errors.Is(err, ErrDamaged) {
		t.Errorf("a changed peak: %v, want ErrDamaged", err)
	}
	if got, err := j.Runs(RunFilter{}); err != nil || len(got) != 12 || got[2].State != StateDamaged || got[2].Result != nil {
		t.Errorf("list with a damaged run: %+v %v", got[2], err)
	}
	j.Close()
	// Beyond repair: the copy takes its place.
	edit(t, filepath.Join(dir, recordsName), func(p []byte) []byte { clear(p[:200]); return p })
	j = open(t, Options{Dir: dir, Ballast: -1})
	check(j)
	if _, err := j.Append(entryFor(1)); err != nil {
		t.Fatal(err)
	}
	if _, texts := events(t, j, 0); !strings.Contains(texts, "took its place") {
		t.Errorf("events: %s", texts)
	}
	// What came after the copy is saved from what can still be read.
	want[2].State = "judged again"
	want = append([]RunRow{{Start: record.RunStart{Run: "2026-06-02-1", Unit: "carrier-a"}, State: "ended", FirstSeq: 2000, LastSeq: 2050}}, want...)
	cal.OffsetK = 0.5
	if err := errors.Join(j.PutRun(want[3]), j.PutRun(want[0]), j.PutCalibration(cal), j.Close()); err != nil {
		t.Fatal(err)
	}
	edit(t, filepath.Join(dir, recordsName), func(p []byte) []byte { return p[:len(p)-100] })
	j = open(t, Options{Dir: dir, Ballast: -1})
	defer j.Close()
	if got, err := j.Runs(RunFilter{}); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("runs %+v, %v", got, err)
	}
	if cals, err := j.Calibrations(); err != nil || !reflect.DeepEqual(cals, []record.Calibration{cal}) {
		t.Errorf("calibrations %+v, %v", cals, err)
	}
	if _, err := j.Append(entryFor(1)); err != nil {
		t.Fatal(err)
	}
	if _, texts := events(t, j, 0); !strings.Contains(texts, "rows were saved") {
		t.Errorf("events: %s", texts)
	}
}
