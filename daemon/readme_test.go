package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"soakrig/daemon/record"
	"soakrig/drivers/all"
)

// readmeLines are the lines of README.md that call a program.
func readmeLines(t *testing.T, program string) (lines []string) {
	t.Helper()
	text, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, program+" ") {
			lines = append(lines, strings.TrimSpace(line))
		}
	}
	return lines
}

// TestGrpcurlLinesOfTheReadme runs what README.md tells to type, as it stands but for
// the address, against a daemon with a run.
func TestGrpcurlLinesOfTheReadme(t *testing.T) {
	lines := readmeLines(t, "grpcurl")
	if len(lines) < 3 {
		t.Fatalf("README.md has %d lines of grpcurl", len(lines))
	}
	if _, err := exec.LookPath("grpcurl"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("grpcurl is not installed")
	}
	text := fmt.Sprintf(`rig: t
listen: {grpc: "127.0.0.1:0", http: "off"}
journal: {dir: %q, sync: 50ms}
simulated: {speed: 50}
sources:
  - {name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}
`, t.TempDir())
	cfg, err := ParseConfig("t.yaml", []byte(text), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Start(Options{Config: cfg, Drivers: all.Drivers()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	<-d.acq.Load().Scanned()
	run, _, err := d.runs.Start(t.Context(), record.RunStart{Unit: "quill-8", Setup: record.Setup{Name: "rated"}}, 600)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{ // what each method answers at least
		"list": "soakrig.v1.SampleService", "RigService/Describe": `"vr1"`, "SampleService/Read": `"sequence"`, "RunService/Get": run,
	}
	for _, line := range lines {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		cmd := exec.CommandContext(ctx, "sh", "-c", strings.ReplaceAll(line, "127.0.0.1:7640", d.GRPCAddr()))
		var stderr strings.Builder
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		cancel()
		if err != nil {
			t.Errorf("%s: %v %s", line, err, stderr.String())
			continue
		}
		words := strings.Fields(line)
		method := strings.TrimPrefix(words[len(words)-1], "soakrig.v1.")
		if part, known := want[method]; !known || !strings.Contains(string(out), part) {
			t.Errorf("%s answers without %q:\n%s", line, part, out)
		}
		if strings.Contains(method, "/") && !json.Valid(out) {
			t.Errorf("%s gives no JSON:\n%s", line, out)
		}
	}
}
