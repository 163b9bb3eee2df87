package config

import (
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
)

var update = flag.Bool("update", false, "write the messages found as the expected ones")

func known() []*drivers.Driver {
	return []*drivers.Driver{
		{Name: "max31855", Info: drivers.Info{Fastest: 100 * time.Millisecond}},
		{Name: "max31856"}, {Name: "max31865"}, {Name: "modbusmap"}, {Name: "mcp9808"},
	}
}

// TestBad holds every rejected example against the messages beside it.
func TestBad(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no rejected examples: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Parse(filepath.Base(file), text, known())
			if err == nil {
				t.Fatal("accepted")
			}
			got := err.Error() + "\n"
			golden := strings.TrimSuffix(file, ".bad.yaml") + ".want"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

func TestGood(t *testing.T) {
	c, err := Load("testdata/good.yaml", known())
	if err != nil {
		t.Fatal(err)
	}
	if c.Rig != "bench-2" || c.Mains != 50 || c.Journal.Keep != 60*24*time.Hour || c.Journal.MaxSize != 8<<30 {
		t.Errorf("top: %+v", c)
	}
	if got := c.Sources[2].Inputs[0].Port; got != "tcp://127.0.0.1:502" {
		t.Errorf("the source's port does not fill in the input's: %q", got)
	}
	if got := c.Sources[1].Inputs[1].Select; got != "decoder GPIO5 GPIO6 GPIO13 enable GPIO19 output 7" {
		t.Errorf("decoder: %q", got)
	}
	if got := c.Sources[0].Inputs[0].Select; got != "GPIO17" {
		t.Errorf("pin: %q", got)
	}
	if a := c.Channels["wall"].Accuracy; a == nil || a.Rel != 0.01 || a.Half != 0.5 || a.Unit != "W" {
		t.Errorf("accuracy: %+v", a)
	}
	var opts struct {
		Letter string `yaml:"letter"`
	}
	if err := c.Sources[0].Rest.Decode(&opts); err != nil || opts.Letter != "K" {
		t.Errorf("driver's own key: %q, %v", opts.Letter, err)
	}
	var in struct {
		MaxStep float64 `yaml:"max_step"`
	}
	if err := c.Sources[0].Inputs[2].Rest.Decode(&in); err != nil || in.MaxStep != 40 {
		t.Errorf("input's own key: %g, %v", in.MaxStep, err)
	}
}

// TestRestNamesThePlace checks that a driver's refusal points into the file.
func TestRestNamesThePlace(t *testing.T) {
	c, err := Load("testdata/good.yaml", known())
	if err != nil {
		t.Fatal(err)
	}
	var opts struct {
		Leter string `yaml:"leter"`
	}
	err = c.Sources[0].Rest.Decode(&opts)
	const want = `testdata/good.yaml:8:50: sources[0].letter: unknown key; did you mean "leter"? (known: leter)`
	if err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if got := c.Problem("sources[0].letter", "no such letter").Error(); got != "testdata/good.yaml:8:50: sources[0].letter: no such letter" {
		t.Errorf("got %s", got)
	}
}

// TestAnyKeys: a driver may hand keys on that only its process knows.
func TestAnyKeys(t *testing.T) {
	c, err := Parse("rig.yaml", []byte("rig: r\nsources: [{name: a, driver: max31855, options: {filter: slow, depth: 3, taps: [1, 2.5], deep: {on: true}}, inputs: [{channel: x, port: SPI0.0}]}]\n"), known())
	if err != nil {
		t.Fatal(err)
	}
	var opts struct {
		Options map[string]any `yaml:"options"`
	}
	if err := c.Sources[0].Rest.Decode(&opts); err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprint(opts.Options), "map[deep:map[on:true] depth:3 filter:slow taps:[1 2.5]]"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// FuzzParse looks for a panic; a file is either a configuration or a list of problems.
func FuzzParse(f *testing.F) {
	for _, file := range []string{"testdata/good.yaml", "testdata/many.bad.yaml"} {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Parse("f.yaml", text, known())
		if (c == nil) == (err == nil) {
			t.Fatalf("config %v, error %v", c, err)
		}
	})
}

// TestUnreadable: a file that can't be read says what to do.
func TestUnreadable(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		err  error
		path string
		want string
	}{
		{nil, filepath.Join(dir, "none.yaml"), "begin with an example"},
		{nil, dir, "is a directory"},
		{&fs.PathError{Op: "open", Path: "rig.yaml", Err: fs.ErrPermission}, "", "chgrp soakd-keys"},
	} {
		text := ""
		if c.err != nil { // root may read everything
			text = unreadable(c.err)
		} else if _, err := Load(c.path, nil); err != nil {
			text = err.Error()
		}
		if !strings.Contains(text, c.want) {
			t.Errorf("%s: %q, want %q", c.path, text, c.want)
		}
	}
}

// TestZeroIsNoDefault: only what the file does not give has a default.
func TestZeroIsNoDefault(t *testing.T) {
	const base = "rig: r\nsources: [{name: a, driver: max31856, inputs: [{channel: x, port: SPI0.0}]}]\n"
	c, err := Parse("r.yaml", []byte(base), known())
	if err != nil || c.Sources[0].Every != time.Second || c.Journal.Sync != time.Second || c.Journal.MaxSize != 8<<30 {
		t.Fatalf("%+v, %v", c, err)
	}
	for _, text := range []string{"journal: {keep: 0}", "journal: {sync: 0}", "journal: {max_size: 0}", "simulated: {speed: 0}"} {
		if _, err := Parse("r.yaml", []byte(base+text+"\n"), known()); err == nil {
			t.Errorf("%s was accepted", text)
		}
	}
}
