package iec62056

import (
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

// head is an optical head in a bubble: a serial port that notes its speeds.
type head struct {
	net.Conn
	m *meter
}

func (h head) Drain() error { return nil }

func (h head) SetMode(mode bus.SerialMode) error {
	h.m.mu.Lock()
	defer h.m.mu.Unlock()
	h.m.modes = append(h.m.modes, mode)
	return nil
}

// meter answers a sign-on and an acknowledgement like a real one, or as its fields say.
type meter struct {
	behaviour

	mu    sync.Mutex // guards all
	modes []bus.SerialMode
	got   []string
}

// behaviour is how a meter answers.
type behaviour struct {
	ident  string        // without line end
	block  string        // from STX to BCC
	delay  time.Duration // before the block
	echo   bool          // the head gives back what it sends
	parity bool          // an 8-bit transport hands the parity bit up
}

// now returns how the meter behaves at this moment.
func (m *meter) now() behaviour {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.behaviour
}

// become changes how the meter behaves.
func (m *meter) become(b behaviour) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.behaviour = b
}

// framed puts STX, ETX and the block check around a text.
func framed(text string) string {
	text += "\x03"
	return "\x02" + text + string(rune(bcc([]byte(text))))
}

// withParity sets even parity in bit 7.
func withParity(text string) []byte {
	out := []byte(text)
	for i, b := range out {
		ones := 0
		for x := b; x != 0; x &= x - 1 {
			ones++
		}
		out[i] = b | byte(ones%2)<<7
	}
	return out
}

func (m *meter) open(bus.SerialMode) (bus.SerialPort, error) {
	here, far := net.Pipe()
	go m.serve(far)
	return head{here, m}, nil
}

func (b behaviour) send(c net.Conn, text string) error {
	if b.parity {
		_, err := c.Write(withParity(text))
		return err
	}
	_, err := io.WriteString(c, text)
	return err
}

func (m *meter) serve(c net.Conn) {
	defer c.Close()
	var have string
	buf := make([]byte, 64)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		for have += string(buf[:n]); ; {
			request, rest, ok := strings.Cut(have, "\n")
			if !ok {
				break
			}
			have = rest
			request = strings.TrimLeft(request+"\n", "\x00\x06")
			m.mu.Lock()
			m.got = append(m.got, request)
			m.mu.Unlock()
			b := m.now()
			if b.echo && b.send(c, request) != nil {
				return
			}
			time.Sleep(b.delay) // the bubble's clock
			answer := b.ident + "\r\n"
			if !strings.HasPrefix(request, "/?") {
				answer = b.block
			}
			if answer == "\r\n" {
				continue // a meter that is off
			}
			if b.send(c, answer) != nil {
				return
			}
		}
	}
}

func (m *meter) ports() *drivertest.Ports {
	p := drivertest.NewPorts()
	p.AddSerial("/dev/head", m.open)
	return p
}

// goodMeter shows energy, power and voltage; it reacts within 20 ms.
func goodMeter() *meter {
	return &meter{behaviour: behaviour{ident: "/Inv5INVENTED-1", delay: 50 * time.Millisecond, block: framed(
		"1-0:0.0.0(12345678)\r\n1-0:1.8.0(000581.161*kWh)\r\n1-0:16.7.0(00.199*kW)\r\n1-0:32.7.0(230.1*V)\r\n1-0:0.9.2(26-05-02)\r\n!\r\n")}}
}

func source(opts string, inputs ...string) drivers.Source {
	src := drivers.Source{Name: "wall", Every: 30 * time.Second, Port: "/dev/head", Options: drivertest.Options(opts)}
	for _, text := range inputs {
		src.Inputs = append(src.Inputs, drivers.Input{Channel: "c", Port: src.Port, Options: drivertest.Options(text)})
	}
	return src
}

const (
	energyIn = "{obis: 1.8.0, unit: kWh}"
	powerIn  = "{obis: '1-0:16.7.0', unit: W, range: [-100, 4000]}"
	voltsIn  = "{obis: 32.7.0, unit: V, range: [180, 260]}"
)

func open(t *testing.T, p bus.Ports, src drivers.Source) *Dev {
	t.Helper()
	d, err := New(t.Context(), bus.NewHost(p), src)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		d.Close()
		time.Sleep(5 * time.Second) // the bubble's clock: the meter notices
	})
	return d
}
