package scpi

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// debianPython is the interpreter that Debian's packages belong to.
const debianPython = "/usr/bin/python3"

// need skips a test whose tool is missing, and fails it in CI, which installs it.
func need(t *testing.T, how string, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%v\ninstall it: %s", err, how)
	}
	t.Skipf("%v\ninstall it: %s", err, how)
}

// needPyvisa is the independent client.
func needPyvisa(t *testing.T) {
	t.Helper()
	out, err := exec.Command(debianPython, "-c", "import pyvisa, pyvisa_py, serial").CombinedOutput()
	if err != nil {
		need(t, "apt-get install python3-pyvisa-py python3-serial", fmt.Errorf("%s: %w\n%s", debianPython, err, out))
	}
}

// ask asks an instrument by pyvisa-py, which nobody here wrote.
func ask(t *testing.T, resource string, queries ...string) []string {
	t.Helper()
	var errs bytes.Buffer
	cmd := exec.CommandContext(t.Context(), debianPython, append([]string{"testdata/ask.py", resource}, queries...)...)
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("pyvisa: %v\n%s", err, &errs)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

// socat starts socat with two addresses and ends it with the test.
func socat(t *testing.T, a, b string) {
	t.Helper()
	path, err := exec.LookPath("socat")
	need(t, "apt-get install socat", err)
	var log bytes.Buffer
	cmd := exec.Command(path, a, b)
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("socat: %s", &log)
		}
	})
}

// readUntilGood reads until the peer, a process of its own, has come up.
func readUntilGood(t *testing.T, d *Dev, out []drivers.Reading) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for d.Read(ctx, out) != nil {
		if ctx.Err() != nil {
			t.Fatalf("the peer does not answer: %v", out[0].Cause)
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
		}
	}
}

// inputs of the instrument in testdata/analyser.sh, with what must come of each.
var analyserInputs = []struct {
	options string
	want    float64
	fault   drivers.Faults
}{
	{"{query: 'MEAS:POW?', unit: W, range: [-10, 3000]}", 198.7, 0},
	{"{query: ':NUM:NORM:VAL?', unit: V}", 230.1, 0},
	{"{query: ':NUM:NORM:VAL?', item: 2, unit: A}", 0.8733, 0},
	{"{query: ':NUM:NORM:VAL?', item: 4, unit: Hz}", 0, drivers.OutOfRange},
	{"{query: 'FETC:CURR?', unit: A}", 0, drivers.OutOfRange},
}

// TestSocatInstrument reads an instrument that socat serves, over TCP and on a serial
// line. pyvisa-py asks the same instrument over TCP and must hear the same.
func TestSocatInstrument(t *testing.T) {
	script, err := filepath.Abs("testdata/analyser.sh")
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(address)
	line := filepath.Join(t.TempDir(), "line")
	socat(t, "TCP-LISTEN:"+port+",bind=127.0.0.1,reuseaddr,fork", "EXEC:/bin/sh "+script)
	socat(t, "pty,raw,echo=0,wait-slave,link="+line, "EXEC:/bin/sh "+script)
	host := bus.NewHost(bus.Hardware())
	defer host.Close()
	for _, where := range []string{"tcp://" + address, line} {
		var texts []string
		for _, in := range analyserInputs {
			texts = append(texts, in.options)
		}
		src := source("timeout: 3s", texts...)
		src.Port = where
		for i := range src.Inputs {
			src.Inputs[i].Port = where
		}
		d, err := New(t.Context(), host, src)
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		out := make([]drivers.Reading, len(texts))
		readUntilGood(t, d, out)
		for range 10 {
			if err := d.Read(t.Context(), out); err != nil {
				t.Fatal(err)
			}
			for i, in := range analyserInputs {
				if got := value64(d.Converters()[i], out[i]); out[i].Faults != in.fault || in.fault == 0 && math.Abs(got-in.want) > 1e-9 {
					t.Errorf("%s, %s: %v (%v)", where, in.options, got, out[i].Cause)
				}
			}
		}
		lines, err := d.Probe(t.Context())
		if err != nil || !strings.Contains(strings.Join(lines, "\n"), "Invented,PA-3,0815,2.1") {
			t.Errorf("%s: %q, %v", where, lines, err)
		}
	}
	needPyvisa(t)
	got := ask(t, "TCPIP::127.0.0.1::"+port+"::SOCKET", "*IDN?", "MEAS:POW?", "SYST:ERR?")
	if want := []string{"Invented,PA-3,0815,2.1", "+1.98700E+02", `+0,"No error"`}; !slices.Equal(got, want) {
		t.Errorf("pyvisa heard %q", got)
	}
}

// TestPyvisaAsksOurInstrument: the instrument that this package's tests are made with
// is one to a client that nobody here wrote, over TCP and on a serial line.
func TestPyvisaAsksOurInstrument(t *testing.T) {
	needPyvisa(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go list().serve(c)
		}
	}()
	path, far := drivertest.Pty(t)
	keep, err := os.OpenFile(path, os.O_RDWR, 0) // the far end hangs up when nobody has the line open
	if err != nil {
		t.Fatal(err)
	}
	defer keep.Close()
	go list().serve(far)
	_, port, _ := net.SplitHostPort(l.Addr().String())
	for _, resource := range []string{"TCPIP::127.0.0.1::" + port + "::SOCKET", "ASRL" + path + "::INSTR"} {
		got := ask(t, resource, ":NUM:NORM:VAL?", "*IDN?", "SYST:ERR?")
		if want := []string{"230.10E+00,0.8733E+00,198.70E+00", "Invented,PA-1,007,1.0", `0,"No error"`}; !slices.Equal(got, want) {
			t.Errorf("%s: pyvisa heard %q", resource, got)
		}
	}
}
