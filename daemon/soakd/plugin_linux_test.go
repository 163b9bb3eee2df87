package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"soakrig/client"
	"soakrig/daemon/record"
)

// TestPythonDriverInWatch starts soakd with the example driver in Python as a probe
// hotter than the others, starts a run, and wants the probe in what soak watch prints.
// The driver's library is Debian's; where it is missing the test is skipped, except in
// CI, which installs it.
func TestPythonDriverInWatch(t *testing.T) {
	const python = "/usr/bin/python3"
	stubs, bin := t.TempDir(), t.TempDir()
	for _, step := range [][]string{
		{python, "-c", "import grpc, google.protobuf"},
		{"protoc", "-I", "../../proto", "--python_out=" + stubs, "soakrig/driver/v1/driver.proto"},
	} {
		if out, err := exec.Command(step[0], step[1:]...).CombinedOutput(); err != nil {
			text := fmt.Sprintf("%v: %v\n%s\ninstall: apt-get install python3-grpcio python3-protobuf protobuf-compiler", step, err, out)
			if os.Getenv("CI") == "true" {
				t.Fatal(text)
			}
			t.Skip(text)
		}
	}
	build := exec.Command("go", "build", "-o", bin, "soakrig/client/soak")
	build.Env = append(os.Environ(), "GOFLAGS=") // not with the flags of this test
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Setenv("PYTHONPATH", stubs)
	script, err := filepath.Abs("../../drivers/plugin/example/thermal_zone.py")
	if err != nil {
		t.Fatal(err)
	}
	zone := filepath.Join(t.TempDir(), "temp")
	if err := os.WriteFile(zone, []byte("87300\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	file := rigFile(t, 2, "sources:\n", fmt.Sprintf(`sources:
  - {name: lab, driver: plugin, every: 1s, command: [%q, %q], options: {file: %q}, inputs: [{channel: lab_probe}]}
`, python, script, zone), "channels: {", "channels: {lab_probe: {role: probe}, ")
	startSoakd(t, file)
	c := dial(t, file)
	ctx := within(t, 120*time.Second)
	if _, _, err := c.Start(ctx, client.StartRequest{Unit: "carrier", Setup: record.Setup{Name: "rated"}}); err != nil {
		t.Fatal(err)
	}
	watch := exec.CommandContext(ctx, filepath.Join(bin, "soak"), "--rig", address(t, file), "watch", "--plain", "--every", "1s")
	out, err := watch.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs strings.Builder
	watch.Stderr = &errs
	if err := watch.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { watch.Process.Kill(); watch.Wait() })
	last := ""
	for lines := bufio.NewScanner(out); lines.Scan(); {
		last = lines.Text()
		if strings.Contains(last, "87.3") && strings.Contains(last, "on lab_probe") {
			t.Log(last)
			return
		}
	}
	t.Fatalf("soak watch ended without the probe; last %q\n%s", last, &errs)
}
