package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"soakrig/client"
	"soakrig/daemon/record"
)

// TestMain lets the test binary be soakd: tests start it as a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv("SOAKD_TEST_RUNS_SOAKD") == "1" {
		main()
	}
	os.Exit(m.Run())
}

// rigFile writes a simulated rig's configuration and returns its path.
func rigFile(t *testing.T, speed int, more ...string) string {
	t.Helper()
	text := fmt.Sprintf(`rig: t
listen: {grpc: "unix:%[1]s/s", http: "off"}
journal: {dir: "%[1]s/j", sync: 100ms}
simulated: {speed: %[2]d, load: [{at: 0s, level: 0}, {at: 90s, level: 1}]}
sources:
  - name: back
    driver: max31855
    every: 500ms
    inputs: [{channel: vr1, port: SPI0.0}, {channel: vr2, port: SPI0.1}, {channel: vr3, port: SPI0.2}, {channel: room, port: SPI0.8}]
  - {name: wall, driver: modbusmap, every: 1s, port: "tcp://sim-meter:502", map: "builtin:sdm120", unit: 1,
     inputs: [{channel: wall, field: active_power}]}
channels: {room: {role: ambient}}
limits: {probe: 105}
plan: {baseline: 1m, load: 20m, cooldown: 1m}
`, t.TempDir(), speed)
	for i := 0; i+1 < len(more); i += 2 {
		if !strings.Contains(text, more[i]) {
			t.Fatalf("the configuration has no %q", more[i])
		}
		text = strings.Replace(text, more[i], more[i+1], 1)
	}
	file := filepath.Join(t.TempDir(), "rig.yaml")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// process is a running soakd.
type process struct {
	cmd *exec.Cmd
	log *bytes.Buffer
}

func startSoakd(t *testing.T, file string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(os.Args[0], "-config", file), log: &bytes.Buffer{}}
	p.cmd.Env = append(os.Environ(), "SOAKD_TEST_RUNS_SOAKD=1")
	p.cmd.Stderr = p.log
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.cmd.Process.Kill()
		p.cmd.Wait()
		if t.Failed() {
			t.Logf("soakd: %s", p.log)
		}
	})
	return p
}

// address is where the rig of a configuration listens.
func address(t *testing.T, file string) string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), `grpc: "`)
	a, _, _ := strings.Cut(rest, `"`)
	return a
}

// dial waits for the rig of a configuration to come up.
func dial(t *testing.T, file string) *client.Client {
	t.Helper()
	ctx := within(t, 30*time.Second)
	for {
		c, err := client.Dial(ctx, address(t, file), client.Options{})
		if err == nil {
			t.Cleanup(func() { c.Close() })
			return c
		}
		if !errors.Is(err, client.ErrUnreachable) || ctx.Err() != nil {
			t.Fatal(err)
		}
		select { // a process of its own has no fake clock
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
		}
	}
}

// within bounds what waits for a real process.
func within(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

var errSeen = errors.New("seen")

// TestKilledInMidRun kills soakd without warning in the middle of the load, starts it
// again, and wants the same run to go on, its gap to be shown, and every sample that
// was durable to be there still, unchanged.
func TestKilledInMidRun(t *testing.T) {
	file := rigFile(t, 200)
	p := startSoakd(t, file)
	c := dial(t, file)
	ctx := within(t, 90*time.Second)
	run, _, err := c.Start(ctx, client.StartRequest{Unit: "carrier", Setup: record.Setup{Name: "rated"}})
	if err != nil {
		t.Fatal(err)
	}
	before := map[uint64]float64{} // what was streamed: sequence -> code of the first channel
	var durable uint64
	tail, stop := context.WithCancel(ctx)
	go func() {
		c.Tail(tail, client.Cursor{}, client.TailOptions{Link: func(l client.Link) { durable = l.DurableThrough }}, func(e *client.Event) error {
			if e.Sample != nil {
				before[e.Seq] = float64(e.Sample.Readings[0].Raw.Code)
			}
			if e.Kind == client.KindSample && e.Seq > 3000 {
				return errSeen
			}
			return nil
		})
		stop()
	}()
	<-tail.Done()
	if err := p.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	p.cmd.Wait()
	if len(before) < 1000 || durable < 1000 {
		t.Fatalf("%d samples streamed, durable through %d", len(before), durable)
	}

	startSoakd(t, file)
	var ended *client.Run
	err = c.Watch(ctx, time.Second, nil, func(_ *record.Live, end *client.Run) error {
		if end != nil {
			ended = end
			return errSeen
		}
		return nil
	})
	if !errors.Is(err, errSeen) {
		t.Fatalf("the run did not end: %v", err)
	}
	if ended.Start.Run != run || ended.Result == nil {
		t.Fatalf("another run ended: %+v", ended)
	}
	var restarts int
	for _, g := range ended.Result.Gaps {
		if g.Cause == "restart" {
			restarts++
		}
	}
	if restarts != 1 {
		t.Errorf("gaps of the result: %+v", ended.Result.Gaps)
	}
	kept := 0
	if _, err := c.Read(ctx, client.Range{To: durable}, func(e *client.Event) error {
		if e.Sample != nil {
			if code, ok := before[e.Seq]; ok {
				if code != float64(e.Sample.Readings[0].Raw.Code) {
					t.Errorf("sequence %d: code %v was streamed, %d is stored", e.Seq, code, e.Sample.Readings[0].Raw.Code)
				}
				kept++
				delete(before, e.Seq)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for seq := range before {
		if seq <= durable {
			t.Errorf("sequence %d was durable and is gone", seq)
		}
	}
	t.Logf("%d durable samples kept, %d entries after them may be lost", kept, len(before))
}

// TestIndependentMeter reads wall power from a Modbus TCP server made of pymodbus,
// which nobody here wrote.
func TestIndependentMeter(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's packages belong to it
	if out, err := exec.Command(python, "-c", "import pymodbus.server, serial_asyncio").CombinedOutput(); err != nil {
		text := fmt.Sprintf("%v\n%s\ninstall it: apt-get install python3-pymodbus python3-serial-asyncio python3-typer", err, out)
		if os.Getenv("CI") == "true" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	where := l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(where)
	peer := exec.CommandContext(t.Context(), python, "../../drivers/meter/modbusmap/testdata/pymodbus_meter.py", "tcp", port)
	if err := peer.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { peer.Process.Kill(); peer.Wait() })

	file := rigFile(t, 1, "sim-meter:502", where, "[{channel: wall, field: active_power}]",
		"[{channel: wall, field: active_power}, {channel: volts, field: voltage}, {channel: energy, field: import_energy}]")
	startSoakd(t, file)
	c := dial(t, file)
	ctx := within(t, 60*time.Second)
	want := map[string]float64{"wall": 198.7, "volts": 230.1, "energy": 1234.5 * 3.6e6}
	for {
		got := map[string]float64{}
		_, err := c.Tail(ctx, client.Cursor{}, client.TailOptions{}, func(e *client.Event) error {
			if e.Sample == nil || e.Sample.SourceName() != "wall" {
				return nil
			}
			for i := range e.Sample.Readings {
				r := &e.Sample.Readings[i]
				if r.Faults != 0 { // the peer takes a moment to come up
					return nil
				}
				got[e.Sample.Channel(r).Name] = r.Value
			}
			return errSeen
		})
		if errors.Is(err, client.ErrUnreachable) {
			continue
		}
		if !errors.Is(err, errSeen) {
			t.Fatalf("no value of the meter: %v", err)
		}
		for name, v := range want {
			if math.Abs(got[name]-v) > 1e-6*v {
				t.Errorf("%s = %v, want %v", name, got[name], v)
			}
		}
		return
	}
}

// run runs one command in this process.
func soakd(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = run(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

func TestCheck(t *testing.T) {
	code, out, errs := soakd(t, "check", "-config", rigFile(t, 100))
	if code != 0 || errs != "" {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, want := range []string{"SIMULATED", "vr1", "probe", "EMF mV", "fixed slope of 41.276 uV/K undone", "not a safety device", "Mains wiring"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	code, out, _ = soakd(t, "check", "-o", "json", "-config", rigFile(t, 100, "load: [", "faults: [{kind: open, chip: SPI0.1, from: start}], load: ["))
	if code != 1 || !strings.Contains(out, `"fault": "open"`) || !strings.Contains(out, `"ok": false`) {
		t.Errorf("an open probe: exit %d\n%s", code, out)
	}
}

// TestClearErrors: what is wrong, where, and what to do.
func TestClearErrors(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		code int
		want []string
	}{
		"no file":         {[]string{"check", "-config", "/nowhere/rig.yaml"}, 1, []string{"/nowhere/rig.yaml", "no such file"}},
		"unknown key":     {[]string{"check", "-config", rigFile(t, 1, "limits:", "limmits:")}, 1, []string{"limmits: unknown key", `did you mean "limits"`}},
		"one chip select": {[]string{"check", "-config", rigFile(t, 1, "SPI0.1", "SPI0.0")}, 1, []string{"rig.yaml:9:", `"vr1" and "vr2" sit on one chip select`}},
		"port not there":  {[]string{"check", "-config", rigFile(t, 1, "SPI0.1", "SPI7.1")}, 1, []string{"SPI7.1"}},
		"driver's key":    {[]string{"check", "-config", rigFile(t, 1, "driver: max31855", "driver: max31855\n    leter: K")}, 1, []string{"rig.yaml:8:", "sources[0].leter: unknown key", "max_step"}},
		"simulated key":   {[]string{"check", "-config", rigFile(t, 1, "speed: 1,", "speed: 1, room: {mean: hot},")}, 1, []string{"simulated.room.mean", "want a number"}},
		"two protocols on one line": {[]string{"check", "-config", rigFile(t, 1, "sources:\n", `sources:
  - {name: analyser, driver: scpi, port: /dev/ttyUSB7, inputs: [{channel: amps, query: "MEAS:CURR?", unit: A}]}
  - {name: sub, driver: modbusmap, port: /dev/ttyUSB7, map: "builtin:sdm120", inputs: [{channel: sub, field: active_power}]}
`)}, 1, []string{"rig.yaml:7:", "sources[1].port: /dev/ttyUSB7 speaks SCPI for source analyser already, and this source wants Modbus RTU"}},
		"two speeds on one line": {[]string{"check", "-config", rigFile(t, 1, "sources:\n", `sources:
  - {name: sub, driver: modbusmap, port: /dev/ttyUSB7, map: "builtin:sdm120", inputs: [{channel: sub, field: active_power}]}
  - {name: other, driver: sunspec, port: /dev/ttyUSB7, unit: 7, inputs: [{channel: other, point: W}]}
`)}, 1, []string{"rig.yaml:7:", "/dev/ttyUSB7 is set to 2400 8N1 for source sub, and this source wants 9600 8N1"}},
		"unknown command": {[]string{"chek"}, 2, []string{"chek"}},
		"unknown flag":    {[]string{"check", "--colour"}, 2, []string{"colour"}},
		"unknown driver":  {[]string{"drivers", "max31999"}, 1, []string{"max31999", "max31855"}},
		"unknown output":  {[]string{"check", "-o", "xml", "-config", rigFile(t, 1)}, 1, []string{"text or json"}},
	} {
		code, out, errs := soakd(t, c.args...)
		if code != c.code {
			t.Errorf("%s: exit %d, want %d: %s", name, code, c.code, errs)
		}
		for _, w := range c.want {
			if !strings.Contains(errs+out, w) {
				t.Errorf("%s: no %q in:\n%s%s", name, w, errs, out)
			}
		}
	}
}

func TestDrivers(t *testing.T) {
	code, out, _ := soakd(t, "drivers")
	if code != 0 || !strings.Contains(out, "max31855") || !strings.Contains(out, "modbusmap") {
		t.Errorf("exit %d:\n%s", code, out)
	}
	for _, name := range driverNames() {
		code, out, errs := soakd(t, "drivers", name)
		if code != 0 || !strings.HasPrefix(out, name+": ") || find(name).Info.Summary == "" {
			t.Errorf("%s: exit %d: %s%s", name, code, out, errs)
		}
	}
}

func TestToken(t *testing.T) {
	code, out, errs := soakd(t, "token", "observe", "screen")
	if code != 0 || !strings.HasPrefix(out, "observe screen sha256:") || !strings.Contains(errs, "secret of screen") {
		t.Errorf("exit %d: %s%s", code, out, errs)
	}
	if code, _, errs := soakd(t, "token", "admin", "screen"); code != 1 || !strings.Contains(errs, "want observe") {
		t.Errorf("another role: exit %d: %s", code, errs)
	}
}

func TestJournalCommand(t *testing.T) {
	file := rigFile(t, 100)
	p := startSoakd(t, file)
	c := dial(t, file)
	ctx := within(t, 30*time.Second)
	if _, err := c.Tail(ctx, client.Cursor{Next: 1}, client.TailOptions{}, func(e *client.Event) error {
		if e.Seq > 300 {
			return errSeen
		}
		return nil
	}); !errors.Is(err, errSeen) {
		t.Fatal(err)
	}
	code, out, errs := soakd(t, "journal", "check", "-config", file)
	if code != 0 || !strings.Contains(out, "healthy") || !strings.Contains(out, "in use") {
		t.Errorf("while it runs: exit %d: %s%s", code, out, errs)
	}
	p.cmd.Process.Signal(syscall.SIGTERM)
	p.cmd.Wait()
	code, out, errs = soakd(t, "journal", "info", "-o", "json", "-config", file)
	if code != 0 || !strings.Contains(out, `"clean": true`) {
		t.Errorf("after a stop: exit %d: %s%s", code, out, errs)
	}
	if code, _, errs := soakd(t, "journal", "check", t.TempDir()); code != 1 || !strings.Contains(errs, "journal.dir") {
		t.Errorf("no journal there: exit %d: %s", code, errs)
	}
	if code, _, errs := soakd(t, "journal", "check", file); code != 1 || !strings.Contains(errs, "not a file") {
		t.Errorf("a file: exit %d: %s", code, errs)
	}
	var report struct{ Dir string }
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	journal := report.Dir
	code, out, errs = soakd(t, "journal", "check", journal)
	if code != 0 || !strings.Contains(out, "Every entry was read and matches its checksum") {
		t.Errorf("check: exit %d: %s%s", code, out, errs)
	}
	samples, err := filepath.Glob(filepath.Join(journal, "samples-*.db"))
	if err != nil || len(samples) == 0 {
		t.Fatal(samples, err)
	}
	if err := os.Truncate(samples[0], 9000); err != nil {
		t.Fatal(err)
	}
	code, out, errs = soakd(t, "journal", "check", journal)
	if code != 1 || !strings.Contains(out, "DAMAGED") || !strings.Contains(out, filepath.Base(samples[0])+": ") || !strings.Contains(out, "Copy the folder") {
		t.Errorf("cut: exit %d: %s%s", code, out, errs)
	}
}

// TestSecondSoakd: the journal of a running soakd is not opened twice.
func TestSecondSoakd(t *testing.T) {
	file := rigFile(t, 1)
	startSoakd(t, file)
	dial(t, file)
	code, _, errs := soakd(t, "-config", file)
	if code != 1 || !strings.Contains(errs, "soakd") {
		t.Errorf("exit %d: %s", code, errs)
	}
}
