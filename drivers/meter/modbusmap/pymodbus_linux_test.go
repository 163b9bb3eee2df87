package modbusmap

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// debianPython is the interpreter that Debian's packages belong to.
const debianPython = "/usr/bin/python3"

// startPeer starts the meter that is made of pymodbus, which nobody here wrote. Where
// it is missing the test is skipped, except in CI, which installs it.
func startPeer(t *testing.T, args ...string) {
	t.Helper()
	for _, module := range []string{"pymodbus.server", "serial_asyncio"} {
		out, err := exec.Command(debianPython, "-c", "import "+module).CombinedOutput()
		if err == nil {
			continue
		}
		text := fmt.Sprintf("%s -c 'import %s': %v\n%s\ninstall it: apt-get install python3-pymodbus python3-serial-asyncio python3-typer",
			debianPython, module, err, out)
		if os.Getenv("CI") == "true" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	cmd := exec.CommandContext(t.Context(), debianPython, append([]string{"testdata/pymodbus_meter.py"}, args...)...)
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("peer: %s", log.Bytes())
		}
	})
}

// readWhenUp reads until the peer answers, at most 20 s.
func readWhenUp(t *testing.T, d *Dev, out []drivers.Reading) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		err := d.Read(ctx, out)
		if err == nil {
			return
		}
		if ctx.Err() != nil {
			t.Fatalf("the peer does not answer: %v", err)
		}
		select { // the peer is a process of its own: it has no fake clock
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
		}
	}
}

// samples is how often a peer is read.
const samples = 25

// checkPeer reads the peer's values and compares them, then asks for a
// register it does not have.
func checkPeer(t *testing.T, host *bus.Host, port, opts string) {
	t.Helper()
	fields := []string{"active_power", "import_energy", "voltage", "current", "frequency"}
	want := []float64{198.7, 1234.5 * 3.6e6, 230.1, 0.873, 50.01}
	src := source("map: builtin:sdm120\n"+opts, fields...)
	src.Port = port
	for i := range src.Inputs {
		src.Inputs[i].Port = port
	}
	d, err := New(t.Context(), host, src)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	out := make([]drivers.Reading, len(fields))
	readWhenUp(t, d, out)
	start := time.Now()
	for n := range samples {
		if err := d.Read(t.Context(), out); err != nil {
			t.Fatalf("read %d: %v", n, err)
		}
		for i, w := range want {
			c, r := d.Converters()[i], out[i]
			if got := float64(math.Float32frombits(uint32(r.Code))) * c.PerCode; r.Faults != 0 || math.Abs(got-w) > 1e-6*w {
				t.Fatalf("read %d, %s: %v (%v), want %v", n, fields[i], got, r.Cause, w)
			}
		}
	}
	t.Logf("%d samples of %d values in %v", samples, len(fields), time.Since(start).Round(time.Millisecond))
	d.Close()
	src = source("map: builtin:dds238-1\n"+opts, "voltage")
	src.Port, src.Inputs[0].Port = port, port
	src.Inputs[0].Options = drivertest.Options("field: voltage\nunit: 1")
	if d, err = New(t.Context(), host, src); err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	d.units[0].blocks[0].req.Address = 1000 // beyond the peer's memory
	if err := d.Read(t.Context(), out[:1]); err != nil || out[0].Faults != drivers.DeviceError {
		t.Errorf("a register that does not exist: %v, %v (%v)", err, out[0].Faults, out[0].Cause)
	}
}

func TestPymodbusTCP(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().(*net.TCPAddr)
	l.Close()
	startPeer(t, "tcp", fmt.Sprint(address.Port))
	host := bus.NewHost(bus.Hardware())
	defer host.Close()
	checkPeer(t, host, "tcp://"+address.String(), "")
}
