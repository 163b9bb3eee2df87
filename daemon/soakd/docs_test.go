package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestDocs: every visible command has a page that names its flags; pages don't change
// between two calls.
func TestDocs(t *testing.T) {
	t.Setenv("SOURCE_DATE_EPOCH", "1767225600") // 2026-01-01
	a, b := t.TempDir(), t.TempDir()
	for _, dir := range []string{a, b} {
		if code, _, errs := soakd(t, "docs", dir); code != 0 {
			t.Fatalf("exit %d: %s", code, errs)
		}
	}
	for file, wants := range map[string][]string{
		"man/soakd.1":              {`"Jan 2026"`, `\-c, \-\-config file`, "SIGHUP", "not a safety device", `soakd\-check(1)`, "default /etc/soakd/rig.yaml"},
		"man/soakd-check.1":        {"uncertainty", `\-\-output`, `soakd(1)`, "text or json"},
		"man/soakd-journal-info.1": {".SH EXAMPLES", `\-\-config`, "soakd journal info /var/lib/soakd"},
		"man/soakd-drivers.1":      {"soakd drivers max31855"},
		"completions/soakd.bash":   {"__soakd"},
		"completions/_soakd":       {"#compdef soakd"},
		"completions/soakd.fish":   {"complete -c soakd"},
	} {
		text, err := os.ReadFile(filepath.Join(a, file))
		if err != nil {
			t.Error(err)
			continue
		}
		for _, w := range wants {
			if !strings.Contains(string(text), w) {
				t.Errorf("%s has no %q", file, w)
			}
		}
		if again, err := os.ReadFile(filepath.Join(b, file)); err != nil || string(again) != string(text) {
			t.Errorf("%s differs at the second call (%v)", file, err)
		}
	}
	if pages, err := filepath.Glob(filepath.Join(a, "man", "*docs*")); err != nil || len(pages) > 0 {
		t.Errorf("the hidden command has a page: %v %v", pages, err)
	}
	if code, _, errs := soakd(t, "docs", "/proc/nowhere"); code != 1 || !strings.Contains(errs, "/proc/nowhere") {
		t.Errorf("exit %d: %s", code, errs)
	}
}
