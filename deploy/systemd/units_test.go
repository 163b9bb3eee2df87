// Package systemd_test checks the files that make soakd a service: by systemd's own
// tools, and against each other.
package systemd_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// worstScore is the exposure that the unit may have, times ten; systemd's own scale
// runs from 0 (nothing is open) to 10.
const worstScore = 16

// analyze runs systemd-analyze; without it the test fails under CI and is skipped
// elsewhere.
func analyze(t *testing.T, args ...string) (string, error) {
	t.Helper()
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("systemd-analyze is missing: apt-get install systemd")
		}
		t.Skip("systemd-analyze is missing: apt-get install systemd")
	}
	out, err := exec.CommandContext(t.Context(), "systemd-analyze", args...).CombinedOutput()
	return string(out), err
}

// unit returns a copy of the unit whose program exists here, so that verify looks at
// everything else.
func unit(t *testing.T) string {
	t.Helper()
	text := read(t, "soakd.service")
	const program = "ExecStart=/usr/bin/soakd "
	if !strings.Contains(text, program) {
		t.Fatalf("the unit has no %q", program)
	}
	path := filepath.Join(t.TempDir(), "soakd.service")
	if err := os.WriteFile(path, []byte(strings.Replace(text, program, "ExecStart=/bin/true ", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// settings returns the values of a key in a unit, in order.
func settings(t *testing.T, file, key string) []string {
	t.Helper()
	var values []string
	for line := range strings.Lines(read(t, file)) {
		if v, ok := strings.CutPrefix(strings.TrimSpace(line), key+"="); ok {
			values = append(values, v)
		}
	}
	if len(values) == 0 {
		t.Fatalf("%s has no %s=", file, key)
	}
	return values
}

func TestUnitVerifies(t *testing.T) {
	out, err := analyze(t, "verify", "--man=no", unit(t))
	if err != nil || strings.Contains(out, "soakd.service") {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
	broken := unit(t)
	text := strings.Replace(read(t, broken), "WatchdogSec=30", "WatchdogSecs=30", 1)
	if err := os.WriteFile(broken, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, _ := analyze(t, "verify", "--man=no", broken); !strings.Contains(out, "WatchdogSecs") {
		t.Errorf("verify does not see an unknown key:\n%s", out)
	}
}

func TestUnitExposure(t *testing.T) {
	out, err := analyze(t, "security", "--offline=true", "--no-pager", fmt.Sprintf("--threshold=%d", worstScore), unit(t))
	score := regexp.MustCompile(`Overall exposure level[^\n]*`).FindString(out)
	if err != nil || score == "" {
		t.Errorf("exposure above %.1f: %v\n%s", worstScore/10.0, err, out)
	}
	t.Log(score)
}

// TestSupervision: what soakd's promises rest on.
func TestSupervision(t *testing.T) {
	for key, want := range map[string]string{
		"Type": "notify", "Restart": "always", "StartLimitIntervalSec": "0", "WatchdogSec": "30",
		"DynamicUser": "yes", "DevicePolicy": "closed", "StateDirectory": "soakd", "ProtectSystem": "strict",
		"ExecReload": "/bin/sh -c 'kill -HUP $MAINPID'",
	} {
		if got := settings(t, "soakd.service", key); !slices.Equal(got, []string{want}) {
			t.Errorf("%s=%q, want %q", key, got, want)
		}
	}
	for _, c := range settings(t, "soakd.service", "CapabilityBoundingSet") {
		if c != "" {
			t.Errorf("a capability is left: %s", c)
		}
	}
	// A process that hides the buses reads nothing.
	if strings.Contains(read(t, "soakd.service"), "\nPrivateDevices=") {
		t.Error("PrivateDevices hides the buses")
	}
}

// TestGroups: every group of the unit is made by sysusers, and owns what it must own.
func TestGroups(t *testing.T) {
	made := map[string]bool{}
	for line := range strings.Lines(read(t, "sysusers.conf")) {
		if f := strings.Fields(line); len(f) >= 2 && f[0] == "g" {
			made[f[1]] = true
		}
	}
	for _, g := range strings.Fields(settings(t, "soakd.service", "SupplementaryGroups")[0]) {
		if !made[g] {
			t.Errorf("the unit wants group %s, which sysusers.conf does not make: it would fail with 216/GROUP", g)
		}
	}
	owners := regexp.MustCompile(`GROUP="([^"]*)"`).FindAllStringSubmatch(read(t, "60-soakd.rules"), -1)
	if len(owners) != 3 {
		t.Errorf("%d rules give a group, want 3: spidev, i2c-dev, gpiochip", len(owners))
	}
	for _, o := range owners {
		if !made[o[1]] {
			t.Errorf("the rules give devices to group %s, which sysusers.conf does not make", o[1])
		}
	}
	allowed := settings(t, "soakd.service", "DeviceAllow")
	for _, kind := range []string{"spi", "i2c", "gpiochip", "ttyUSB", "ttyACM", "ttyAMA", "ttyS"} {
		if !slices.Contains(allowed, "char-"+kind+" rw") {
			t.Errorf("DeviceAllow leaves char-%s closed", kind)
		}
	}
}

// TestMemory: the collector must work harder before the kernel kills.
func TestMemory(t *testing.T) {
	var most, goal float64
	if _, err := fmt.Sscanf(settings(t, "soakd.service", "MemoryMax")[0], "%fM", &most); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscanf(settings(t, "soakd.service", "Environment")[0], "GOMEMLIMIT=%fMiB", &goal); err != nil {
		t.Fatal(err)
	}
	if share := goal / most; share < 0.75 || share > 0.85 {
		t.Errorf("GOMEMLIMIT is %.0f %% of MemoryMax, want about 80 %%", 100*share)
	}
}

// TestSysusers lets systemd itself read the file, into an empty root.
func TestSysusers(t *testing.T) {
	if _, err := exec.LookPath("systemd-sysusers"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("systemd-sysusers is missing: apt-get install systemd")
		}
		t.Skip("systemd-sysusers is missing: apt-get install systemd")
	}
	if os.Geteuid() != 0 {
		t.Skip("systemd-sysusers wants root even for another root folder")
	}
	root := t.TempDir()
	for _, dir := range []string{"etc", "usr/lib/sysusers.d"} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "usr/lib/sysusers.d/soakd.conf"), []byte(read(t, "sysusers.conf")), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.CommandContext(t.Context(), "systemd-sysusers", "--root="+root).CombinedOutput(); err != nil {
		t.Fatalf("systemd-sysusers: %v\n%s", err, out)
	}
	groups := read(t, filepath.Join(root, "etc/group"))
	for _, g := range []string{"spi", "i2c", "gpio", "dialout", "soakd-keys"} {
		if !strings.Contains(groups, "\n"+g+":") && !strings.HasPrefix(groups, g+":") {
			t.Errorf("no group %s in:\n%s", g, groups)
		}
	}
}
