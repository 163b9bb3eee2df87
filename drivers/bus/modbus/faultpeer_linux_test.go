package modbus

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
	"soakrig/drivers/drivertest"
)

// The fault peer runs in real time: the kernel's line discipline and its sockets have
// no fake clock. All kinds run side by side, so it takes a few seconds.

// row is one line of the fault peer's table.
type row struct {
	link, kind  string
	fault       drivers.Faults // of the disturbed read
	wrong, lost int            // values of the other place, reads without a value
	recovery    time.Duration  // from the disturbed request to the next good value
	healed      bool
}

// reads is how often each kind is read at least, and healTime how long a link may take
// to come back; the disturbance hits the request number 3.
const (
	reads    = 14
	healTime = 8 * time.Second
)

// readInTurn reads two places of equal length in turn and fills in the row.
func readInTurn(ctx context.Context, m Master, r *row) {
	var began time.Time
	first := time.Now()
	for i := 0; i < reads || !r.healed && time.Since(first) < healTime; i++ {
		address := uint16(100 + 100*(i%2))
		var dst [4]byte
		ctx, cancel := context.WithTimeout(ctx, 1500*time.Millisecond)
		start := time.Now()
		err := m.Read(ctx, Request{Unit: 1, Function: ReadInput, Address: address, Count: 2}, dst[:])
		cancel()
		switch {
		case err != nil:
			r.lost++
			if began.IsZero() {
				began, r.fault = start, drivers.AnswerFaults(err)
			}
			r.healed = false
			time.Sleep(100 * time.Millisecond) // a period: see above
			continue
		case binary.BigEndian.Uint16(dst[:]) != address:
			r.wrong++
		case !began.IsZero() && !r.healed:
			r.recovery = time.Since(began)
		}
		r.healed = true
	}
}

// ptyPeer answers on the far end of a serial line like a good device, but for what do
// says about the request number 3.
func ptyPeer(far io.ReadWriter, echo bool, do func(request, good []byte) []step) {
	for n := 0; ; n++ {
		var q [8]byte
		if _, err := io.ReadFull(far, q[:]); err != nil {
			return
		}
		good := meter(q[:])
		steps := []step{{5 * time.Millisecond, good}}
		if echo {
			steps = []step{{0, q[:]}, {5 * time.Millisecond, good}}
		}
		if n == 3 {
			steps = do(q[:], good)
		}
		go func(q [8]byte) { // a late answer does not keep the peer from hearing the next request
			for _, s := range steps {
				time.Sleep(s.after)
				if _, err := far.Write(s.data); err != nil {
					return
				}
			}
		}(q)
	}
}

// tcpDisturbances are the ways in which a TCP peer goes wrong once. A nil answer
// hangs up.
func tcpDisturbances() map[string]func(good []byte) []step {
	const ms = time.Millisecond
	edit := func(f func(p []byte) []byte) func([]byte) []step {
		return func(good []byte) []step { return []step{{5 * ms, f(append([]byte(nil), good...))}} }
	}
	return map[string]func([]byte) []step{
		"silence":           func([]byte) []step { return []step{{0, []byte{}}} },
		"late":              func(g []byte) []step { return []step{{450 * ms, g}} },
		"cut in the header": edit(func(p []byte) []byte { return p[:4] }),
		"cut in the body":   edit(func(p []byte) []byte { return p[:10] }),
		"cut, then hung up": func(g []byte) []step { return []step{{5 * ms, g[:10]}, {5 * ms, nil}} },
		"glued to another":  edit(func(p []byte) []byte { return append(append([]byte{0xEE, 0xEE}, p[2:]...), p...) }),
		"twice":             edit(func(p []byte) []byte { return append(p, p...) }),
		"request echoed":    edit(func(p []byte) []byte { return append([]byte{p[0], p[1], 0, 0, 0, 6, 1, 4, 0, 100, 0, 2}, p...) }),
		"wrong unit":        edit(func(p []byte) []byte { p[6] = 2; return p }),
		"wrong function":    edit(func(p []byte) []byte { p[7] = 3; return p }),
		"wrong byte count":  edit(func(p []byte) []byte { p[8] = 2; return p }),
		"wrong transaction": edit(func(p []byte) []byte { p[0] ^= 0x55; return p }),
		"wrong protocol":    edit(func(p []byte) []byte { p[3] = 1; return p }),
		"impossible length": edit(func(p []byte) []byte { p[4] = 9; return p }),
		"raw serial frames": edit(func(p []byte) []byte { return withCRC(p[6:]) }),
		"exception":         edit(func(p []byte) []byte { return []byte{p[0], p[1], 0, 0, 0, 3, 1, 0x84, 6} }),
		"hung up":           func([]byte) []step { return []step{{0, nil}} },
	}
}

// tcpPeer serves a listener one connection after the other and counts requests over
// all of them.
func tcpPeer(l net.Listener, do func(good []byte) []step) {
	n := 0
	var mu sync.Mutex
	serve := func(c net.Conn) {
		defer c.Close()
		for {
			var q [12]byte
			if _, err := io.ReadFull(c, q[:]); err != nil {
				return
			}
			mu.Lock()
			now := n
			n++
			mu.Unlock()
			body := meter(q[6:])
			good := append([]byte{q[0], q[1], 0, 0, 0, byte(len(body) - 2)}, body[:len(body)-2]...)
			steps := []step{{time.Millisecond, good}}
			if now == 3 {
				steps = do(good)
			}
			for _, s := range steps {
				time.Sleep(s.after)
				if s.data == nil {
					return
				}
				if _, err := c.Write(s.data); err != nil {
					return
				}
			}
		}
	}
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		go serve(c)
	}
}

func TestFaultPeer(t *testing.T) {
	host := bus.NewHost(bus.Hardware())
	defer host.Close()
	var wg sync.WaitGroup
	var rows []*row
	run := func(link, kind string, m Master) {
		r := &row{link: link, kind: kind}
		rows = append(rows, r)
		wg.Go(func() {
			defer m.Close()
			readInTurn(t.Context(), m, r)
		})
	}
	serial := Link{Timeout: 300 * time.Millisecond}
	for _, c := range disturbances() {
		path, far := drivertest.Pty(t)
		go ptyPeer(far, c.echo, c.do)
		l := serial
		l.Echo = c.echo
		run("rtu", c.name, mustOpen(t, l, host, path))
	}
	for name, do := range tcpDisturbances() {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go tcpPeer(l, do)
		run("tcp", name, mustOpen(t, Link{Timeout: 300 * time.Millisecond}, host, l.Addr().String()))
	}
	run("tcp", "refused, then there", refusedFirst(t, host))
	run("rtu", "cable out, then in", unpluggedOnce(t, host))
	wg.Wait()
	var table strings.Builder
	fmt.Fprintf(&table, "%-4s %-30s %-14s %6s %6s %10s\n", "link", "kind", "fault", "wrong", "lost", "recovery")
	for _, r := range rows {
		fmt.Fprintf(&table, "%-4s %-30s %-14v %6d %6d %10v\n", r.link, r.kind, r.fault, r.wrong, r.lost, r.recovery.Round(time.Millisecond))
		if r.wrong != 0 || !r.healed {
			t.Errorf("%s, %s: %d wrong values, healed %v after %v", r.link, r.kind, r.wrong, r.healed, r.recovery)
		}
	}
	t.Logf("%d kinds, each read at least %d times\n%s", len(rows), reads, &table)
}

func mustOpen(t *testing.T, l Link, host *bus.Host, port string) Master {
	t.Helper()
	m, err := l.Open(host, port)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// refusedFirst dials a port where nothing listens until the third attempt.
func refusedFirst(t *testing.T, host *bus.Host) Master {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	attempts := 0
	return NewTCP(address, func(ctx context.Context) (net.Conn, error) {
		if attempts++; attempts == 3 {
			again, err := net.Listen("tcp", address)
			if err != nil {
				return nil, err
			}
			t.Cleanup(func() { again.Close() })
			go tcpPeer(again, func(g []byte) []step { return []step{{0, g}} })
		}
		return host.Dial(ctx, address)
	}, time.Second)
}

// unpluggedOnce is a line that hangs up after the third request and comes back as
// another device, as an adapter under a stable name does.
func unpluggedOnce(t *testing.T, host *bus.Host) Master {
	t.Helper()
	first, far := drivertest.Pty(t)
	second, far2 := drivertest.Pty(t)
	go ptyPeer(far, false, func(_, _ []byte) []step { far.Close(); return nil })
	go ptyPeer(far2, false, func(_, g []byte) []step { return []step{{0, g}} })
	path := first
	return NewRTU("by-id", line.New(func(context.Context) (bus.SerialPort, error) {
		p, err := host.Serial(path, bus.SerialMode{Baud: 9600})
		path = second
		return p, err
	}), RTUOptions{Timeout: 300 * time.Millisecond, Mode: bus.SerialMode{Baud: 9600}})
}

// TestUnpluggedLineUsesNoCPU closes the far end for good and keeps reading.
func TestUnpluggedLineUsesNoCPU(t *testing.T) {
	host := bus.NewHost(bus.Hardware())
	defer host.Close()
	path, far := drivertest.Pty(t)
	go ptyPeer(far, false, func(_, g []byte) []step { return []step{{0, g}} })
	m := mustOpen(t, Link{}, host, path)
	defer m.Close()
	var dst [4]byte
	req := Request{Unit: 1, Function: ReadInput, Address: 1, Count: 2}
	if err := m.Read(t.Context(), req, dst[:]); err != nil {
		t.Fatal(err)
	}
	far.Close()
	before := cpu(t)
	bad := 0
	for range 20 {
		if drivers.AnswerFaults(m.Read(t.Context(), req, dst[:])) == drivers.BusError {
			bad++
		}
		time.Sleep(50 * time.Millisecond) // real time: the test is about the process
	}
	used := cpu(t) - before
	t.Logf("20 reads in a second without a line: %v of CPU", used)
	if bad != 20 || used > 100*time.Millisecond {
		t.Errorf("%d of 20 reads said bus_error, %v of CPU used", bad, used)
	}
	if _, err := os.Stat(path); err == nil {
		t.Errorf("%s still exists: the test proves nothing", path)
	}
}

// cpu is the processor time this process has used.
func cpu(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
