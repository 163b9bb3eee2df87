package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestEverythingLinked: each module that is linked is in the text with its licence, and
// the text is the same each time.
func TestEverythingLinked(t *testing.T) {
	commands := []string{"soakrig/daemon/soakd", "soakrig/client/soak"}
	var a, b strings.Builder
	for _, w := range []*strings.Builder{&a, &b} {
		if err := write(w, commands); err != nil {
			t.Fatal(err)
		}
	}
	if a.String() != b.String() {
		t.Error("two texts differ")
	}
	packages, _, err := list(commands)
	if err != nil {
		t.Fatal(err)
	}
	modules := map[string]bool{}
	for _, p := range packages {
		if p.Module != nil && !p.Module.Main {
			modules[p.Module.Path+" "+p.Module.Version+": "] = true
		}
	}
	if len(modules) < 20 {
		t.Fatalf("only %d modules are linked", len(modules))
	}
	for m := range modules {
		if !strings.Contains(a.String(), "\n"+m) {
			t.Errorf("no licence of %s", m)
		}
	}
	for _, w := range []string{"Go standard library: LICENSE", "soakrig: LICENSE", "uPlot.LICENSE", "LICENSE-SQLITE"} {
		if !strings.Contains(a.String(), w) {
			t.Errorf("no %q in the text", w)
		}
	}
}

func TestMissing(t *testing.T) {
	root := t.TempDir()
	sub := filepath.Join(root, "sub")
	if err := os.Mkdir(sub, 0o755); err != nil {
		t.Fatal(err)
	}
	p := listed{ImportPath: "example.org/m/sub", Dir: sub}
	if _, err := gather([]listed{p}, "/goroot"); err == nil || !strings.Contains(err.Error(), "go mod download") {
		t.Errorf("a module without files: %v", err)
	}
	p.Module = &struct {
		Path, Version, Dir string
		Main               bool
		Replace            *struct{ Path, Version string }
	}{Path: "example.org/m", Version: "v1.0.0", Dir: root}
	if _, err := gather([]listed{p}, "/goroot"); err == nil || !strings.Contains(err.Error(), "example.org/m v1.0.0 has no licence file") {
		t.Errorf("a module without a licence: %v", err)
	}
	for name, text := range map[string]string{"COPYING": "whole", "sub/LICENCE.txt": "part", "license.go": "package m"} {
		if err := os.WriteFile(filepath.Join(root, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	all, err := gather([]listed{p}, "/goroot")
	if err != nil || len(all) != 1 || len(all[0].texts) != 2 || all[0].texts["sub/LICENCE.txt"] != "part" {
		t.Errorf("%v %v", all, err)
	}
	if err := write(os.Stderr, nil); err == nil {
		t.Error("no command is no error")
	}
}
