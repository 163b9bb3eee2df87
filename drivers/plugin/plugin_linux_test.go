package plugin

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// The processes run in real time: they have no fake clock.

// TestMain lets the test binary be the driver's process, and the daemon that has one.
func TestMain(m *testing.M) {
	switch {
	case os.Getenv(cookieKey) == cookieValue:
		if len(os.Args) > 1 && os.Args[1] == "liar" {
			fmt.Println(os.Args[2])
			time.Sleep(time.Minute)
			return
		}
		if len(os.Args) > 1 && os.Args[1] == "library" {
			serveByLibrary(&counting)
			return
		}
		if err := Serve(&counting); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	case os.Getenv("PLUGIN_TEST_DAEMON") != "":
		daemonUntilKilled()
	default:
		os.Exit(m.Run())
	}
}

// counting is a driver that counts its reads and misbehaves on order.
var counting = drivers.Driver{
	Name: "counting",
	Open: func(_ context.Context, _ *bus.Host, src drivers.Source) (drivers.Device, error) {
		var o struct {
			Mode string `yaml:"mode"`
		}
		if err := src.Options.Decode(&o); err != nil {
			return nil, err
		}
		if o.Mode == "refuse" {
			return nil, &drivers.OptionError{Input: -1, Key: "mode", Text: "refuse: choose another one"}
		}
		fmt.Fprintln(os.Stderr, "counting in mode", o.Mode)
		return &counter{mode: o.Mode, inputs: len(src.Inputs)}, nil
	},
}

type counter struct {
	mode      string
	inputs, n int
}

func (c *counter) Converters() []drivers.Converter {
	out := make([]drivers.Converter, c.inputs)
	for i := range out {
		out[i] = drivers.Converter{Model: "counter", Law: drivers.LawLinear, Kind: drivers.Temperature, Unit: "degC", PerCode: 0.5,
			ColdPerCode: 0.25, Conversion: time.Second / 8, Lines: []drivers.Line{{Name: "counting", Half: 0.5, Source: "common practice"}}}
	}
	return out
}

func (c *counter) Read(ctx context.Context, out []drivers.Reading) error {
	c.n++
	for i := range out {
		out[i].Set(int64(-c.n), time.Millisecond)
		out[i].SetCold(7)
	}
	switch {
	case c.mode == "fault":
		out[0].Fail(drivers.Open|drivers.ShortToGround, errors.New("the probe is off"))
	case c.mode == "die" && c.n == 3:
		fmt.Fprintln(os.Stderr, "this is the end")
		os.Exit(3)
	case c.mode == "hang" && c.n == 2:
		time.Sleep(time.Minute)
	}
	return nil
}

func (c *counter) Close() error { return nil }

func source(t *testing.T, mode string, command ...string) drivers.Source {
	t.Helper()
	if len(command) == 0 {
		self, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		command = []string{self}
	}
	quoted := make([]string, len(command))
	for i, c := range command {
		quoted[i] = strconv.Quote(c)
	}
	opts := "command: [" + strings.Join(quoted, ", ") + "]\n"
	if mode != "" {
		opts += "options: {mode: " + mode + "}\n"
	}
	return drivers.Source{Name: "mine", Every: time.Second, Options: drivertest.Options(opts), Inputs: []drivers.Input{
		{Channel: "a", Options: drivertest.Options("")}, {Channel: "b", Options: drivertest.Options("")},
	}}
}

func open(t *testing.T, src drivers.Source) (*Dev, func() string) {
	t.Helper()
	var mu sync.Mutex
	var log strings.Builder
	ctx := WithLog(t.Context(), func(source, line string) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintf(&log, "%s: %s\n", source, line)
	})
	d, err := New(ctx, bus.NewHost(drivertest.NewPorts()), src)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d, func() string { mu.Lock(); defer mu.Unlock(); return log.String() }
}

func read(t *testing.T, d *Dev, limit time.Duration) ([]drivers.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	out := make([]drivers.Reading, 2)
	err := d.Read(ctx, out)
	if bad := drivertest.CheckReadings(out); bad != nil {
		t.Error(bad)
	}
	return out, err
}

func TestReadsADriverInItsOwnProcess(t *testing.T) {
	d, log := open(t, source(t, "good"))
	c := d.Converters()
	if len(c) != 2 || c[1].PerCode != 0.5 || c[1].ColdPerCode != 0.25 || c[1].Kind != drivers.Temperature ||
		c[1].Conversion != time.Second/8 || len(c[1].Lines) != 1 || c[1].Lines[0].Half != 0.5 {
		t.Errorf("%+v", c)
	}
	for i := range 5 {
		out, err := read(t, d, 5*time.Second)
		if err != nil || out[0].Code != int64(-i-1) || out[1].Cold != 7 || out[0].Has != drivers.HasCode|drivers.HasCold || out[0].Age < time.Millisecond {
			t.Fatalf("read %d: %v, %+v", i, err, out)
		}
	}
	dir := d.proc.dir
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s was left: %v", dir, err)
	}
	if _, err := read(t, d, time.Second); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	if !strings.Contains(log(), "mine: counting in mode good") {
		t.Errorf("log: %q", log())
	}
}

func TestFaultsComeThrough(t *testing.T) {
	d, _ := open(t, source(t, "fault"))
	out, err := read(t, d, 5*time.Second)
	if err != nil || out[0].Faults != drivers.Open|drivers.ShortToGround || out[0].Cause.Error() != "the probe is off" || out[1].Faults != 0 {
		t.Errorf("%v, %+v", err, out)
	}
}

func TestDeadProcessIsAFaultAndComesBack(t *testing.T) {
	d, _ := open(t, source(t, "die"))
	bad, good := 0, 0
	began := time.Now()
	for time.Since(began) < 15*time.Second && (bad == 0 || good < 4) {
		out, err := read(t, d, 5*time.Second)
		if err != nil {
			bad++
			if out[0].Faults != drivers.BusError || out[1].Faults != drivers.BusError || !strings.Contains(err.Error(), "this is the end") {
				t.Fatalf("%v, %v", out[0].Faults, err)
			}
			time.Sleep(50 * time.Millisecond)
			continue
		}
		good++
	}
	if bad == 0 || good < 4 {
		t.Errorf("%d failed and %d good reads", bad, good)
	}
	t.Logf("down for %d reads", bad)
}

func TestHangingProcessIsStartedAgain(t *testing.T) {
	d, _ := open(t, source(t, "hang"))
	first := d.proc.cmd.Process.Pid
	if _, err := read(t, d, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	for i := range hangs {
		if out, err := read(t, d, 200*time.Millisecond); !errors.Is(err, context.DeadlineExceeded) || out[0].Faults != drivers.Timeout {
			t.Errorf("read %d of a hanging process: %v, %v", i, err, out[0].Faults)
		}
	}
	if err := syscall.Kill(first, 0); err == nil {
		t.Errorf("the process that hangs still lives")
	}
	for began := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		if _, err := read(t, d, 5*time.Second); err == nil {
			break
		} else if time.Since(began) > 15*time.Second {
			t.Fatalf("not back: %v", err)
		}
	}
}

func TestCancelAndCloseEndARead(t *testing.T) {
	d, _ := open(t, source(t, "hang"))
	if _, err := read(t, d, 5*time.Second); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(50*time.Millisecond, cancel)
	began := time.Now()
	if err := d.Read(ctx, make([]drivers.Reading, 2)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	time.AfterFunc(50*time.Millisecond, func() { d.Close() })
	if err := d.Read(t.Context(), make([]drivers.Reading, 2)); !errors.Is(err, bus.ErrClosed) {
		t.Errorf("closed: %v", err)
	}
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("took %v", took)
	}
}

func TestBadProcessesAreRefused(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		src  drivers.Source
		want string
	}{
		"no command":      {drivers.Source{Options: drivertest.Options("")}, "command: required"},
		"no such program": {source(t, "", "no-such-program"), "absolute path"},
		"ends at once":    {source(t, "", "sh", "-c", "echo broken >&2; exit 4"), "broken"},
		"no handshake":    {source(t, "", self, "liar", "hello"), "1|1|unix|PATH|grpc"},
		"other contract":  {source(t, "", self, "liar", "1|2|unix|/x|grpc"), "update the driver"},
		"other handshake": {source(t, "", self, "liar", "2|1|unix|/x|grpc"), "handshake"},
		"other protocol":  {source(t, "", self, "liar", "1|1|unix|/x|netrpc"), "netrpc"},
		"foreign address": {source(t, "", self, "liar", "1|1|tcp|192.0.2.1:80|grpc"), "loopback"},
		"option refused":  {source(t, "refuse"), "mode: refuse: choose another one"},
		"unknown option":  {source(t, "good, more: 1"), "more"},
		"start out of range": {func() drivers.Source {
			s := source(t, "")
			s.Options = drivertest.Options("command: [sh]\nstart: 2m")
			return s
		}(), "start: 2m0s"},
	} {
		d, err := New(t.Context(), bus.NewHost(drivertest.NewPorts()), c.src)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if d != nil {
			d.Close()
		}
	}
}

// daemonUntilKilled is a daemon with a driver's process; it says that process's number.
func daemonUntilKilled() {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	opts := drivertest.Options("command: [" + strconv.Quote(self) + "]")
	d, err := New(context.Background(), bus.NewHost(drivertest.NewPorts()), drivers.Source{Name: "mine", Every: time.Second,
		Options: opts, Inputs: []drivers.Input{{Channel: "a", Options: drivertest.Options("")}}})
	if err != nil {
		panic(err)
	}
	fmt.Println(d.proc.cmd.Process.Pid)
	time.Sleep(time.Minute)
}

func TestNoOrphanAfterTheDaemonIsKilled(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env = append(os.Environ(), "PLUGIN_TEST_DAEMON=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var pid int
	if _, err := fmt.Fscan(out, &pid); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, 0); err != nil {
		t.Fatalf("the driver's process %d does not live: %v", pid, err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	for began := time.Now(); syscall.Kill(pid, 0) == nil && !zombie(pid); time.Sleep(20 * time.Millisecond) {
		if time.Since(began) > 5*time.Second {
			t.Fatalf("process %d outlived its daemon", pid)
		}
	}
}

// zombie says that a process has ended and nobody has asked how.
func zombie(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && strings.Contains(string(text), ") Z ")
}

// TestPythonExample runs the example driver with Debian's grpcio. Where that is missing
// the test is skipped, except in CI, which installs it.
func TestPythonExample(t *testing.T) {
	const python = "/usr/bin/python3"
	stubs := t.TempDir()
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
	t.Setenv("PYTHONPATH", stubs)
	script, err := filepath.Abs("example/thermal_zone.py")
	if err != nil {
		t.Fatal(err)
	}
	zone := filepath.Join(t.TempDir(), "temp")
	src := source(t, "", python, script)
	src.Inputs[0].Options = drivertest.Options("options: {file: " + strconv.Quote(zone) + "}")
	src.Inputs[1].Options = drivertest.Options("options: {file: /nowhere}")
	d, log := open(t, src)
	if c := d.Converters()[0]; c.Model != "thermal zone" || c.Unit != "degC" || c.Lines[0].Half != 0.0005 {
		t.Errorf("%+v", c)
	}
	for milli, fault := range map[string]drivers.Faults{"45678\n": 0, "-1500\n": 0, "": drivers.BusError, "warm\n": drivers.BusError} {
		if err := os.WriteFile(zone, []byte(milli), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := read(t, d, 10*time.Second)
		if err != nil {
			t.Fatalf("%v; %s", err, log())
		}
		want, _ := strconv.ParseFloat(strings.TrimSpace(milli), 64)
		v := float64(out[0].Code) * d.Converters()[0].PerCode
		if out[0].Faults != fault || fault == 0 && math.Abs(v-want/1000) > 1e-9 {
			t.Errorf("%q: %v (%v)", milli, v, out[0].Cause)
		}
		if out[1].Faults != drivers.BusError || out[1].Has != 0 {
			t.Errorf("a file that is not there: %+v", out[1])
		}
	}
	if _, err := New(t.Context(), bus.NewHost(drivertest.NewPorts()), source(t, "good", python, script)); err == nil || !strings.Contains(err.Error(), "this driver has file") {
		t.Errorf("an option that the example does not have: %v", err)
	}
}
