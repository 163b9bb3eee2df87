package modbusmap

import (
	"bytes"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/simrig"
)

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

// freePort is a TCP port of the loopback address on which nobody listens.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return fmt.Sprint(l.Addr().(*net.TCPAddr).Port)
}

// background runs a peer until the test ends.
func background(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("%s: %s", cmd, &log)
		}
	})
}

// serialPair is a serial line with two ends, made by socat, which nobody here wrote.
func serialPair(t *testing.T) (here, there string) {
	t.Helper()
	_, err := exec.LookPath("socat")
	need(t, "apt-get install socat", err)
	dir := t.TempDir()
	here, there = filepath.Join(dir, "here"), filepath.Join(dir, "there")
	background(t, exec.Command("socat", "pty,raw,echo=0,link="+here, "pty,raw,echo=0,link="+there))
	for end := time.Now().Add(20 * time.Second); ; {
		if _, err := os.Stat(there); err == nil {
			if _, err := os.Stat(here); err == nil {
				return here, there
			}
		}
		if time.Now().After(end) { // guards against hanging only
			t.Fatal("socat made no pair of lines")
		}
		time.Sleep(20 * time.Millisecond) // socat is a process of its own: it has no fake clock
	}
}

// libmodbus compiles and starts the meter made of libmodbus.
func libmodbus(t *testing.T, kind, where string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "meter")
	text, err := exec.Command("gcc", "-O1", "-o", path, "testdata/libmodbus_meter.c", "-I/usr/include/modbus", "-lmodbus").CombinedOutput()
	if err != nil {
		need(t, "apt-get install gcc libc6-dev libmodbus-dev", fmt.Errorf("gcc: %w\n%s", err, text))
	}
	background(t, exec.Command(path, kind, where))
}

// modbusSerial starts the meter made of the npm package. SOAKRIG_NODE_MODULES says
// where it is.
func modbusSerial(t *testing.T, kind, where string) {
	t.Helper()
	modules := os.Getenv("SOAKRIG_NODE_MODULES")
	cmd := exec.Command("node", "-e", `require("modbus-serial")`)
	cmd.Env = append(os.Environ(), "NODE_PATH="+modules)
	if out, err := cmd.CombinedOutput(); err != nil {
		need(t, "npm install modbus-serial, and set SOAKRIG_NODE_MODULES to its node_modules", fmt.Errorf("node: %w\n%s", err, out))
	}
	cmd = exec.Command("node", "testdata/serial_meter.js", kind, where)
	cmd.Env = append(os.Environ(), "NODE_PATH="+modules)
	background(t, cmd)
}

// TestIndependentPeers reads meters made of libraries that nobody here wrote.
func TestIndependentPeers(t *testing.T) {
	const serial = "gap: 5ms\nbaud: 9600"
	for name, start := range map[string]func(t *testing.T, kind, where string){
		"libmodbus": libmodbus, "modbus-serial": modbusSerial,
		"pymodbus": func(t *testing.T, kind, where string) { startPeer(t, kind, where) },
	} {
		t.Run(name+" rtu", func(t *testing.T) {
			t.Parallel()
			here, there := serialPair(t)
			start(t, "rtu", there)
			host := bus.NewHost(bus.Hardware())
			defer host.Close()
			checkPeer(t, host, here, serial)
		})
		if name == "pymodbus" {
			continue // has its own test over TCP
		}
		t.Run(name+" tcp", func(t *testing.T) {
			t.Parallel()
			port := freePort(t)
			start(t, "tcp", port)
			host := bus.NewHost(bus.Hardware())
			defer host.Close()
			checkPeer(t, host, "tcp://127.0.0.1:"+port, "")
		})
	}
}

// TestTwoSourcesOnOneLine reads two units that pymodbus serves on one serial line from
// two sources at the same time.
func TestTwoSourcesOnOneLine(t *testing.T) {
	here, there := serialPair(t)
	startPeer(t, "rtu", there)
	host := bus.NewHost(bus.Hardware())
	defer host.Close()
	want := map[int]float64{1: 198.7, 2: 61.25}
	var wg sync.WaitGroup
	for unit, watts := range want {
		src := source(fmt.Sprintf("map: builtin:sdm120\nunit: %d\ngap: 5ms\nbaud: 9600", unit), "active_power")
		src.Name = fmt.Sprintf("unit-%d", unit)
		src.Port, src.Inputs[0].Port = here, here
		d, err := New(t.Context(), host, src)
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		wg.Go(func() {
			out := make([]drivers.Reading, 1)
			readWhenUp(t, d, out)
			good := 0
			for n := range 30 {
				err := d.Read(t.Context(), out)
				if err != nil || out[0].Faults != 0 {
					continue // the other source may have asked while the peer came up
				}
				good++
				if got := float64(math.Float32frombits(uint32(out[0].Code))); math.Abs(got-watts) > 1e-4 {
					t.Errorf("unit %d, read %d: %v W, want %v", unit, n, got, watts)
				}
			}
			if good < 15 { // a busy machine may cost some
				t.Errorf("unit %d: %d of 30 reads good", unit, good)
			}
		})
	}
	wg.Wait()
}

// TestIndependentMaster asks our own emulated meter by mbpoll, a master that nobody
// here wrote: what it reads is what the driver reads.
func TestIndependentMaster(t *testing.T) {
	_, err := exec.LookPath("mbpoll")
	need(t, "apt-get install mbpoll", err)
	rig, err := simrig.New(simrig.DefaultOpts(), func() time.Duration { return 90 * time.Second })
	if err != nil {
		t.Fatal(err)
	}
	defer rig.Close()
	address, err := rig.MeterAddr()
	if err != nil {
		t.Fatal(err)
	}
	host := bus.NewHost(rig)
	defer host.Close()
	fields := map[string]int{"active_power": 12, "voltage": 0, "frequency": 70}
	_, port, _ := net.SplitHostPort(address)
	for field, register := range fields {
		d, err := New(t.Context(), host, at(source("map: builtin:sdm120", field), "tcp://"+address))
		if err != nil {
			t.Fatal(err)
		}
		out := make([]drivers.Reading, 1)
		if err := d.Read(t.Context(), out); err != nil || out[0].Faults != 0 {
			t.Fatalf("%s: %v, %v", field, err, out[0].Cause)
		}
		d.Close()
		text, err := exec.Command("mbpoll", "-m", "tcp", "-p", port, "-a", "1", "-t", "3:float", "-B", "-0",
			"-r", strconv.Itoa(register), "-c", "1", "-1", "-q", "127.0.0.1").CombinedOutput()
		if err != nil {
			t.Fatalf("mbpoll: %v\n%s", err, text)
		}
		line := regexp.MustCompile(`(?m)^\[` + strconv.Itoa(register) + `\]:\s*([0-9.eE+-]+)`).FindStringSubmatch(strings.TrimSpace(string(text)))
		if line == nil {
			t.Fatalf("mbpoll said\n%s", text)
		}
		theirs, err := strconv.ParseFloat(line[1], 64)
		ours := float64(math.Float32frombits(uint32(out[0].Code)))
		if err != nil || math.Abs(theirs-ours) > 1e-5*math.Abs(ours) || ours == 0 {
			t.Errorf("%s: mbpoll reads %v, the driver %v", field, line[1], ours)
		}
	}
}

// at moves a source to another port.
func at(src drivers.Source, port string) drivers.Source {
	src.Port = port
	for i := range src.Inputs {
		src.Inputs[i].Port = port
	}
	return src
}
