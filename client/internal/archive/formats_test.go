package archive

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

func TestCSV(t *testing.T) {
	run, all := testRun("c", 5)
	all[4].AtS += 0.25 // the room's second reading is stamped by itself
	var b bytes.Buffer
	if err := WriteCSV(&b, run, iterate(all)); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"at_s,wall,vr1 [degC],vr1 fault,room [degC],room fault,wall [W],wall fault",
		"0,2026-05-02T08:00:00Z,25,,23,,-0.25,",
		"1,2026-05-02T08:00:01Z,25.125,,,,-0.25,",
		"1.25,2026-05-02T08:00:01Z,,,23,,,",
		"2,2026-05-02T08:00:02Z,25.25,,23,,-0.25,",
		"3,2026-05-02T08:00:03Z,,open+stale,23,,-0.25,",
		"4,2026-05-02T08:00:04Z,25.5,,23,,-0.25,",
	}
	for i, w := range want {
		if got := strings.Join(rows[i], ","); got != w {
			t.Errorf("row %d: got %s, want %s", i, got, w)
		}
	}
	if len(rows) != len(want) || !strings.Contains(b.String(), "\r\n") {
		t.Errorf("%d rows, want %d, ended by CRLF", len(rows), len(want))
	}
}

func TestJSONL(t *testing.T) {
	run, all := testRun("c", 4)
	var b bytes.Buffer
	if err := WriteJSONL(&b, run, iterate(all)); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	if len(lines) != len(all)+1 {
		t.Fatalf("%d lines", len(lines))
	}
	want := `{"seq":"13","at_s":3,"wall":"2026-05-02T08:00:03Z","channel":"vr1","unit":"degC","faults":["open","stale"],"code":3,"cold_code":400,"emf_volts":0.001003,"cold_c":24.5}`
	if lines[9] != want {
		t.Errorf("got %s\nwant %s", lines[9], want)
	}
	var last map[string]json.RawMessage
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil || last["result"] == nil || last["record"] == nil {
		t.Errorf("last line: %v, %v", last, err)
	}
}

func TestOpenMetrics(t *testing.T) {
	run, all := testRun("c", 2)
	run.Record.Start.Unit = `a "b" \`
	var b bytes.Buffer
	if err := WriteOpenMetrics(&b, run, iterate(all)); err != nil {
		t.Fatal(err)
	}
	labels := `rig="bench-1",role="%s",run="c",unit="a \"b\" \\"}`
	want := "# TYPE soakrig_temperature_celsius gauge\n# UNIT soakrig_temperature_celsius celsius\n# HELP soakrig_temperature_celsius Readings of soaks.\n" +
		`soakrig_temperature_celsius{channel="vr1",` + fmt.Sprintf(labels, "probe") + " 25 1777708800.000\n" +
		`soakrig_temperature_celsius{channel="vr1",` + fmt.Sprintf(labels, "probe") + " 25.125 1777708801.000\n" +
		`soakrig_temperature_celsius{channel="room",` + fmt.Sprintf(labels, "ambient") + " 23 1777708800.000\n" +
		`soakrig_temperature_celsius{channel="room",` + fmt.Sprintf(labels, "ambient") + " 23 1777708801.000\n" +
		"# TYPE soakrig_power_watts gauge\n# UNIT soakrig_power_watts watts\n# HELP soakrig_power_watts Readings of soaks.\n" +
		`soakrig_power_watts{channel="wall",` + fmt.Sprintf(labels, "supply") + " -0.25 1777708800.000\n" +
		`soakrig_power_watts{channel="wall",` + fmt.Sprintf(labels, "supply") + " -0.25 1777708801.000\n# EOF\n"
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	all[0].WallNS = 0
	if err := WriteOpenMetrics(&b, run, iterate(all)); err == nil || !strings.Contains(err.Error(), "no wall times") {
		t.Errorf("got %v", err)
	}
}
