package sunspec

import (
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// device is a SunSpec device's registers behind Modbus TCP. Registers that were not
// set are refused with exception end.
type device struct {
	mu    sync.Mutex
	words map[int]uint16
	end   byte // exception for registers that do not exist
	mute  bool
	asked []int // start addresses
}

func newDevice() *device { return &device{words: map[int]uint16{}, end: 2} }

func (g *device) set(address int, bytes ...byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for i := 0; i+1 < len(bytes); i += 2 {
		g.words[address+i/2] = binary.BigEndian.Uint16(bytes[i:])
	}
}

// header puts a model's ID and length at an address and zeros behind it.
func (g *device) header(address int, id, size uint16) {
	g.set(address, make([]byte, 2*(2+int(size)))...)
	g.set(address, byte(id>>8), byte(id), byte(size>>8), byte(size))
}

func (g *device) answer(q [12]byte) []byte {
	g.mu.Lock()
	defer g.mu.Unlock()
	start, count := int(binary.BigEndian.Uint16(q[8:])), int(binary.BigEndian.Uint16(q[10:]))
	g.asked = append(g.asked, start)
	out := []byte{q[0], q[1], 0, 0, 0, byte(3 + 2*count), q[6], q[7], byte(2 * count)}
	for i := range count {
		w, ok := g.words[start+i]
		if !ok || count > 125 || q[7] != 3 {
			return []byte{q[0], q[1], 0, 0, 0, 3, q[6], q[7] | 0x80, g.end}
		}
		out = binary.BigEndian.AppendUint16(out, w)
	}
	if g.mute {
		return nil
	}
	return out
}

func (g *device) serve(c net.Conn) {
	defer c.Close()
	for {
		var q [12]byte
		if _, err := io.ReadFull(c, q[:]); err != nil {
			return
		}
		if _, err := c.Write(g.answer(q)); err != nil {
			return
		}
	}
}

func (g *device) ports() *drivertest.Ports {
	p := drivertest.NewPorts()
	p.AddDial("meter:502", g.serve)
	return p
}

// chain makes a device with marker, model 1 of the length and the given meter block.
func chain(base int, common uint16, block []byte) *device {
	g := newDevice()
	g.set(base, []byte("SunS")...)
	g.header(base+2, 1, common)
	g.set(base+4, []byte("Invented Meters\x00")...)
	at := base + 4 + int(common)
	g.set(at, block...)
	g.set(at+len(block)/2, 0xFF, 0xFF, 0, 0)
	return g
}

func source(opts string, points ...string) drivers.Source {
	src := drivers.Source{Name: "wall", Every: time.Second, Port: "meter", Options: drivertest.Options(opts)}
	for _, p := range points {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: p, Port: src.Port, Options: drivertest.Options("point: " + p)})
	}
	return src
}

func open(t *testing.T, g *device, opts string, points ...string) *Dev {
	t.Helper()
	d, err := New(t.Context(), bus.NewHost(g.ports()), source(opts, points...))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}
