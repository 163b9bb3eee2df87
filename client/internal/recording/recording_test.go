package recording

import (
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/daemon/record"
)

var update = flag.Bool("update", false, "write the .want files")

// TestBadMaps reads each rejected map and compares all that is said about it.
func TestBadMaps(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	if err != nil || len(files) < 4 {
		t.Fatalf("%d rejected maps, %v", len(files), err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Parse(filepath.Base(f), text)
		if err == nil {
			t.Errorf("%s was accepted", f)
			continue
		}
		got, want := err.Error()+"\n", strings.TrimSuffix(f, ".bad.yaml")+".want"
		if *update {
			if err := os.WriteFile(want, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if b, err := os.ReadFile(want); err != nil || string(b) != got {
			t.Errorf("%s: got\n%s\nwant\n%s (%v)", f, got, b, err)
		}
	}
}

type seen struct {
	atS    float64
	name   string
	value  float64
	faults record.Faults
}

func readAll(t *testing.T, mapFile, table string) (*Recording, []seen, []string) {
	t.Helper()
	m, err := Load(mapFile)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Open(table, m)
	if err != nil {
		t.Fatal(err)
	}
	var all []seen
	var marks []string
	err = r.Each(func(x *Reading) {
		all = append(all, seen{x.AtS, m.Channels[x.Channel].Name, x.Value.Value, x.Value.Faults})
	})
	for _, m := range r.Marks() {
		marks = append(marks, m.Text)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	return r, all, marks
}

func TestUnitsAndAbsence(t *testing.T) {
	r, got, marks := readAll(t, "testdata/good.yaml", "testdata/good.csv")
	if r.Rows() != 4 || len(marks) != 0 {
		t.Errorf("%d rows, marks %v", r.Rows(), marks)
	}
	// 0.397 mV above a cold junction at 25 degC is 34.9 degC for type K: E(25) = 1.000 mV,
	// E(34.9) = 1.403 mV minus rounding (ITS-90 table of type K: 1.000, 1.203, 1.407 at 25, 30, 35).
	want := []seen{
		{0, "vr1", 25.5, 0}, {0, "vr2", 25, 0}, {0, "vr3", 25, 0}, {0, "room", 23, 0}, {0, "wall", 60, 0}, {0, "meter", 360000, 0},
		{1, "vr1", 0, record.DeviceError}, {1, "vr3", 34.75, 0}, {1, "room", 23, 0}, {1, "wall", 61, 0},
		{2.5, "vr1", 26.75, 0}, {2.5, "vr2", 26, 0}, {2.5, "vr3", 0, record.ColdJunctionFault}, {2.5, "room", 23.1, 0}, {2.5, "wall", 62, 0}, {2.5, "meter", 361800, 0},
		{3, "vr1", 0, record.DeviceError}, {3, "vr2", 27, 0}, {3, "vr3", 44.6, 0}, {3, "room", 23.1, 0}, {3, "wall", 62, 0}, {3, "meter", 361800, 0},
	}
	compare(t, got, want)
	in := r.Input()
	if in.Start.Plan.Limits[0].Bound != 105 || in.Start.Plan.AmbientBandC.High != 25 || in.Start.Unit != "carrier-7" {
		t.Errorf("plan %+v", in.Start)
	}
	for i, stated := range []bool{true, true, false, false, true, false} {
		if (in.Channels[i].Budget != nil) != stated {
			t.Errorf("channel %s: uncertainty stated %v", in.Channels[i].Name, !stated)
		}
	}
	b := in.Channels[1].Budget(50)
	if len(b) != 1 || math.Abs(b[0].StandardK-1.1) > 1e-12 || b[0].SharedBy != "channel" {
		t.Errorf("budget of an uncertainty of 2.2 K: %+v", b)
	}
}

func compare(t *testing.T, got, want []seen) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d readings, want %d: %v", len(got), len(want), got)
	}
	for i, w := range want {
		g := got[i]
		tol := 1e-6
		if w.name == "vr3" {
			tol = 0.2
		}
		if g.atS != w.atS || g.name != w.name || g.faults != w.faults || g.faults == 0 && math.Abs(g.value-w.value) > tol {
			t.Errorf("reading %d: got %+v, want %+v", i, g, w)
		}
	}
}

func TestDecimalComma(t *testing.T) {
	r, got, marks := readAll(t, "testdata/comma.yaml", "testdata/comma.csv")
	compare(t, got, []seen{{0, "vr1", 25.5, 0}, {1, "vr1", 0, record.Open}, {3.5, "vr1", 15, 0}})
	if strings.Join(marks, "|") != "load start|load end" {
		t.Errorf("marks %v", marks)
	}
	if s := r.Started().Format("2006-01-02T15:04:05Z07:00"); s != "2026-05-02T08:00:00Z" {
		t.Errorf("started %s", s)
	}
	if r.Input().Settings["time_zone"] == "" {
		t.Error("a time without a zone is not said")
	}
}

// TestBadTables feeds tables that must be refused and checks what is said of where.
func TestBadTables(t *testing.T) {
	const header = "t,a,room\n"
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "is empty"},
		{"no rows", header, "no rows"},
		{"column missing", "t,b,room\n0,1,2\n", `has no column "a"`},
		{"separator", "t;a;room\n0;1;2\n", `rec.csv:1: the header is one column with 2 times ";" in it: say separator: ";" in the map`},
		{"tabs", "t\ta\troom\n0\t1\t2\n", `say separator: "\t" in the map`},
		{"packed", "\x1f\x8b\x08\x00 t,a,room\n", "rec.csv:1: the header is not UTF-8 text"},
		{"word", header + "0,1,2\n1,x7,2\n", `rec.csv:3: column "a": "x7" is not a number`},
		{"nan", header + "0,NaN,2\n", `rec.csv:2: column "a": "NaN" is not a number; if the instrument writes it for 'no value', list it under absent`},
		{"inf", header + "0,Inf,2\n", `"Inf" is not a number`},
		{"hex", header + "0,0x10,2\n", `"0x10" is not a number`},
		{"two words", header + "0,x,2\n1,2,y\n", "rec.csv:3: column \"room\""},
		{"order", header + "0,1,2\n5,1,2\n4,1,2\n", `rec.csv:4: column "t": the time "4" is before line 3`},
		{"twice", header + "0,1,2\n0,1,2\n", `the time "0" is the same as in line 2`},
		{"short row", header + "0,1\n", "rec.csv:2: has 2 fields, the header has 3"},
		{"comma", header + "0,1,5,2,5\n", `decimal: ","`},
		{"quote", header + "0,1\"2,3\n", "not CSV"},
		{"time word", header + "soon,1,2\n", `"soon" is no number of seconds`},
		{"time date", header + "2026-05-02T08:00:00Z,1,2\n", `format: rfc3339`},
		{"cold", header + "0,-400,2\n", "below absolute zero"},
		{"column twice", "t,a,a,room\n0,1,2,3\n", `both called "a"`},
		{"utf16", "\xff\xfet", "UTF-16"},
	} {
		_, err := readText(c.text)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

func readText(text string) (int, error) {
	m, err := Parse("m.yaml", []byte("time: t\nload: {start: 0, planned: 1h}\nchannels: {a: {role: probe, unit: degC}, room: {role: ambient, unit: degC}}\n"))
	if err != nil {
		return 0, err
	}
	r, err := read("rec.csv", strings.NewReader(text), func() error { return nil }, m)
	if err != nil {
		return 0, err
	}
	n := 0
	err = r.Each(func(*Reading) { n++ })
	return n, err
}

func TestManyProblemsAreCounted(t *testing.T) {
	var b strings.Builder
	b.WriteString("t,a,room\n")
	for range 30 {
		b.WriteString("x,1,2\n")
	}
	_, err := readText(b.String())
	if err == nil || strings.Count(err.Error(), "\n") != maxTold || !strings.HasSuffix(err.Error(), "and 18 more") {
		t.Errorf("got %v", err)
	}
}

// FuzzTable: no table makes the reader panic or give a value that is not finite.
func FuzzTable(f *testing.F) {
	f.Add("t,a,room\n0,1,2\n1,,\n")
	f.Add("t,a,room\r\n0,\"1\",1e300\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := Parse("m.yaml", []byte("time: t\nload: {start: 0, planned: 1h}\nchannels: {a: {role: probe, unit: degC}, room: {role: ambient, unit: degF}}\n"))
		if err != nil {
			t.Fatal(err)
		}
		r, err := read("rec.csv", strings.NewReader(text), func() error { return nil }, m)
		if err != nil {
			return
		}
		last := math.Inf(-1)
		_ = r.Each(func(x *Reading) {
			if x.AtS < last || x.Value.Faults == 0 && (math.IsNaN(x.Value.Value) || math.IsInf(x.Value.Value, 0)) {
				t.Fatalf("reading %+v after %v", x, last)
			}
			last = x.AtS
		})
	})
}
