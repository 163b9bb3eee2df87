package main

import (
	"bytes"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"soakrig/drivers/all"
)

// TestPage: every key that an example uses and every driver's option has its entry.
func TestPage(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1767225600") // 2026-01-01
	var first, second bytes.Buffer
	for _, w := range []*bytes.Buffer{&first, &second} {
		if err := write(w, "../../.."); err != nil {
			t.Fatal(err)
		}
	}
	if first.String() != second.String() {
		t.Error("two pages differ")
	}
	entries := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\.BR (\S+)(?: "|$)`).FindAllStringSubmatch(first.String(), -1) {
		entries[strings.ReplaceAll(m[1], `\-`, "-")] = true
	}
	for _, k := range strings.Fields("rig listen grpc tls_key journal max_size mains sources every select channels couple cold limits list dwell plan stop interlock drop_above remote_write authorization_file simulated speed uncertainty terminal seed start room setbacks chips unit load level limiter crash faults kind brown_out") {
		if !entries[k] {
			t.Errorf("no entry for key %s", k)
		}
	}
	for _, d := range all.Drivers() {
		if !strings.Contains(first.String(), "\n.SS "+roff(d.Name)+"\n") {
			t.Errorf("driver %s has no section", d.Name)
		}
		for _, o := range d.Info.Options {
			if !entries[o.Key] {
				t.Errorf("driver %s: no entry for %s", d.Name, o.Key)
			}
		}
	}
	for _, w := range []string{`"2026-01-01"`, "not a safety device", "simulated: {speed: 1}"} {
		if !strings.Contains(first.String(), w) {
			t.Errorf("the page has no %q", w)
		}
	}
}

// TestRendered lets a formatter read the page, where there is one.
func TestRendered(t *testing.T) {
	formatter, err := exec.LookPath("groff")
	if err != nil {
		t.Skip("groff is missing: apt-get install groff-base")
	}
	var page bytes.Buffer
	if err := write(&page, "../../.."); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), formatter, "-man", "-Tutf8", "-ww", "-z")
	cmd.Stdin = &page
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("groff: %v\n%s", err, out)
	}
}

// TestKeys: what is wrong with a field is an error, not a blank entry.
func TestKeys(t *testing.T) {
	for source, want := range map[string]string{
		"package p\ntype Config struct {\n Rig string `yaml:\"rig\"`\n}":                                                      "Config.Rig: key rig has no comment above or beside it",
		"package p\ntype Config struct {\n // Odd.\n Rig chan int `yaml:\"rig\"`\n}":                                          "ast.ChanType is not known",
		"package p\ntype Config struct {\n // Odd.\n Rig other.Thing `yaml:\"rig\"`\n}":                                       "Thing is not known",
		"package p\ntype Other struct{}":                                                                                      "no struct Config",
		"package p\ntype Config struct {":                                                                                     "expected",
		"package p\ntype Config struct {\n // Fine.\n In Inner `yaml:\"in\"`\n}\ntype Inner struct {\n X int `yaml:\"x\"`\n}": "Inner.X: key x has no comment",
	} {
		if _, err := keysOf(source, "Config"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", source, err, want)
		}
	}
	keys, err := keysOf("package p\ntype Config struct {\n File string `yaml:\"-\"`\n // All of\n // them.\n List map[string][]*In `yaml:\"list\"`\n Rest Rest\n}\ntype In struct {\n // In s.\n Every time.Duration `yaml:\"every\"` // not this\n Seed uint64 `yaml:\"seed\"` // Beside it.\n}", "Config")
	if err != nil || len(keys) != 1 || keys[0].help != "All of them." || keys[0].form != "by name: list of: keys" || keys[0].below[0].form != "length of time" || keys[0].below[0].help != "In s." || keys[0].below[1].help != "Beside it." {
		t.Errorf("%+v %v", keys, err)
	}
}

func TestRoff(t *testing.T) {
	for text, want := range map[string]string{
		".5 to 1":      `\&.5 to 1`,
		"a\n'b":        "a\n\\&'b",
		`C:\x "y" -40`: `C:\ex \(dqy\(dq \-40`,
	} {
		if got := roff(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

func TestOutsideTheRepository(t *testing.T) {
	if err := write(os.Stderr, t.TempDir()); err == nil || !strings.Contains(err.Error(), "repository's root") {
		t.Error(err)
	}
}
