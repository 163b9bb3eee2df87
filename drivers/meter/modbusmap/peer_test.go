package modbusmap

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

// registers is a meter's memory behind a connection in memory, reached over Modbus TCP.
type registers struct {
	mu       sync.Mutex
	words    map[uint16]uint16
	fail     map[uint16]byte // address: exception code
	mute     bool
	unit     byte     // 0: any; others stay silent
	function byte     // 0: any; the other is refused
	end      int      // 0: none; registers from here on are refused
	asked    [][2]int // address and count of each request
}

func (g *registers) set(address uint16, words ...uint16) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for i, w := range words {
		g.words[address+uint16(i)] = w
	}
}

func (g *registers) serve(c net.Conn) {
	defer c.Close()
	for {
		var q [12]byte
		if _, err := io.ReadFull(c, q[:]); err != nil {
			return
		}
		start, count := binary.BigEndian.Uint16(q[8:]), binary.BigEndian.Uint16(q[10:])
		g.mu.Lock()
		g.asked = append(g.asked, [2]int{int(start), int(count)})
		out := append([]byte{q[0], q[1], 0, 0, 0, byte(3 + 2*count)}, q[6], q[7], byte(2*count))
		for i := range count {
			out = binary.BigEndian.AppendUint16(out, g.words[start+i])
		}
		if code := g.fail[start]; code != 0 {
			out = []byte{q[0], q[1], 0, 0, 0, 3, q[6], q[7] | 0x80, code}
		}
		if g.function != 0 && q[7] != g.function {
			out = []byte{q[0], q[1], 0, 0, 0, 3, q[6], q[7] | 0x80, 1}
		}
		if g.end != 0 && int(start)+int(count) > g.end {
			out = []byte{q[0], q[1], 0, 0, 0, 3, q[6], q[7] | 0x80, 2}
		}
		mute := g.mute || g.unit != 0 && q[6] != g.unit
		g.mu.Unlock()
		if mute {
			continue
		}
		if _, err := c.Write(out); err != nil {
			return
		}
	}
}

// ports reaches the registers at meter:502 and has nothing else.
func (g *registers) ports() *drivertest.Ports {
	p := drivertest.NewPorts()
	p.AddDial("meter:502", g.serve)
	return p
}

func newRegisters() *registers {
	return &registers{words: map[uint16]uint16{}, fail: map[uint16]byte{}}
}

// source asks for the fields of a map, one input each.
func source(opts string, fields ...string) drivers.Source {
	src := drivers.Source{Name: "wall", Every: time.Second, Port: "tcp://meter:502", Options: drivertest.Options(opts)}
	for _, f := range fields {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: f, Port: src.Port, Options: drivertest.Options("field: " + f)})
	}
	return src
}

// open returns a device on the registers; it closes with the test.
func open(t *testing.T, g *registers, src drivers.Source) *Dev {
	t.Helper()
	d, err := New(t.Context(), bus.NewHost(g.ports()), src)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Close() })
	return d
}

// mapFile parses a map with one field for a case.
func mapFile(t *testing.T, text string) *Map {
	t.Helper()
	m, err := ParseMap("case", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}
