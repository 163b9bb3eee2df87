package archive

import (
	"encoding/json"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// TestIndependentReader reads a run file with another Parquet implementation and
// wants the same readings, faults and peak. SOAKRIG_NODE_MODULES names the folder
// that npm install hyparquet hyparquet-compressors filled.
func TestIndependentReader(t *testing.T) {
	modules := os.Getenv("SOAKRIG_NODE_MODULES")
	node, err := exec.LookPath("node")
	if err != nil || modules == "" {
		text := "want node and SOAKRIG_NODE_MODULES=<folder of npm install hyparquet hyparquet-compressors>/node_modules"
		if os.Getenv("CI") != "" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	run, all := testRun("2026-05-02-1", 600)
	for i := range all {
		if all[i].Channel != 0 || all[i].Faults != 0 {
			continue
		}
		all[i].Value = 60
		switch s := int(all[i].AtS); {
		case s >= 300 && s < 330:
			all[i].Value = 90.25 // held
		case s >= 400 && s < 403:
			all[i].Value = 140 // a burst
		}
	}
	run.Result.Peak.HeldC = 90.25
	path := filepath.Join(t.TempDir(), "run.parquet")
	if _, err := WriteFile(path, func(w io.Writer) error { return Write(w, run, iterate(all)) }); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(node, "testdata/read.mjs", path, modules).Output()
	if err != nil {
		var text string
		if e, ok := err.(*exec.ExitError); ok {
			text = string(e.Stderr)
		}
		t.Fatalf("%v\n%s", err, text)
	}
	var got struct {
		Rows                    int
		Format, Unit, Wall      string
		Recorded, Held, Highest float64
		Faulted                 []string
		Code                    int64
		EMF                     float64
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if got.Rows != len(all) || got.Format != Format || got.Unit != "carrier-7" || got.Held != 90.25 || got.Recorded != got.Held || got.Highest != 140 ||
		strings.Join(got.Faulted, " ") != "open+stale" || got.Code != 0 || got.EMF != 0.001 {
		t.Errorf("the other reader has %s", out)
	}
}

// TestBackfill gives an export to promtool, which makes blocks of a store of it, and
// reads them back: the same channels, with the same lowest and highest reading.
func TestBackfill(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		text := "promtool is missing (apt-get install prometheus): no store reads the export"
		if os.Getenv("CI") != "" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	run, all := testRun("2026-05-02-1", 900)
	run.Record.Start.Unit = `a "unit" with \ and
a second line`
	low, high, n := math.Inf(1), math.Inf(-1), 0
	for i := range all {
		if all[i].Channel == 0 && all[i].Faults == 0 {
			low, high, n = min(low, all[i].Value), max(high, all[i].Value), n+1
		}
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "run.om")
	if _, err := WriteFile(file, func(w io.Writer) error { return WriteOpenMetrics(w, run, iterate(all)) }); err != nil {
		t.Fatal(err)
	}
	store := filepath.Join(dir, "store")
	if out, err := exec.Command(promtool, "tsdb", "create-blocks-from", "openmetrics", file, store).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if err := os.Mkdir(filepath.Join(store, "wal"), 0o755); err != nil { // dump wants one
		t.Fatal(err)
	}
	out, err := exec.Command(promtool, "tsdb", "dump", "--match", `{__name__="soakrig_temperature_celsius",channel="`+run.Layouts[0].Channels[0].Name+`"}`, store).Output()
	if err != nil {
		t.Fatal(err)
	}
	gotLow, gotHigh, got := math.Inf(1), math.Inf(-1), 0
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line[strings.LastIndex(line, "}")+1:])
		if len(f) != 2 {
			t.Fatalf("promtool says %q", line)
		}
		v, err := strconv.ParseFloat(f[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		gotLow, gotHigh, got = min(gotLow, v), max(gotHigh, v), got+1
	}
	if got != n || gotLow != low || gotHigh != high {
		t.Errorf("the store has %d readings from %v to %v, the run %d from %v to %v", got, gotLow, gotHigh, n, low, high)
	}
}
