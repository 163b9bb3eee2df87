package bus_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/drivers/bus"
	"soakrig/drivers/drivertest"
)

func TestJoinLine(t *testing.T) {
	h := bus.NewHost(drivertest.NewPorts())
	rtu := bus.LineUse{Source: "wall", Protocol: "Modbus RTU", Settings: "9600 8N1", Together: true}
	made := 0
	build := func() any { made++; return made }
	first, leave, err := h.JoinLine("/dev/ttyUSB0", rtu, build)
	if err != nil || first != 1 {
		t.Fatal(first, err)
	}
	second, leave2, err := h.JoinLine("/dev/../dev/ttyUSB0", rtu, build)
	if err != nil || second != 1 || made != 1 {
		t.Errorf("the second user shares %v of %d, %v", second, made, err)
	}
	for name, c := range map[string]struct {
		port string
		use  bus.LineUse
		want []string
	}{
		"another protocol": {"/dev/ttyUSB0", bus.LineUse{Source: "analyser", Protocol: "SCPI"},
			[]string{"/dev/ttyUSB0 speaks Modbus RTU for source wall already", "wants SCPI", "a line of its own"}},
		"another speed": {"/dev/ttyUSB0", bus.LineUse{Protocol: "Modbus RTU", Settings: "2400 8N1", Together: true},
			[]string{"set to 9600 8N1 for source wall", "wants 2400 8N1"}},
	} {
		_, _, err := h.JoinLine(c.port, c.use, build)
		for _, w := range c.want {
			if err == nil || !strings.Contains(err.Error(), w) {
				t.Errorf("%s: no %q in: %v", name, w, err)
			}
		}
	}
	for range 2 { // the second call does nothing
		if leave() {
			t.Error("the first to leave was the last one")
		}
	}
	if !leave2() {
		t.Error("the last one is not the last one")
	}
	if _, _, err := h.JoinLine("/dev/ttyUSB0", bus.LineUse{Source: "analyser", Protocol: "SCPI"}, nil); err != nil {
		t.Errorf("after both have left: %v", err)
	}
	_, _, err = h.JoinLine("/dev/ttyUSB0", bus.LineUse{Protocol: "SCPI"}, nil)
	if err == nil || !strings.Contains(err.Error(), "put all inputs into one source") {
		t.Errorf("two users of a protocol without addresses: %v", err)
	}
}

// TestJoinLineByAnyName: a link under /dev/serial/by-id and the node are one line, and
// so are two spellings of an address.
func TestJoinLineByAnyName(t *testing.T) {
	h := bus.NewHost(drivertest.NewPorts())
	dir := t.TempDir()
	node, link := filepath.Join(dir, "ttyUSB0"), filepath.Join(dir, "usb-adapter-port0")
	if err := os.WriteFile(node, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(node, link); err != nil {
		t.Fatal(err)
	}
	for _, names := range [][2]string{{node, link}, {"tcp://Gateway:4001", "gateway:4001"}} {
		if _, _, err := h.JoinLine(names[0], bus.LineUse{Protocol: "SCPI"}, nil); err != nil {
			t.Fatal(err)
		}
		if _, _, err := h.JoinLine(names[1], bus.LineUse{Protocol: "Modbus RTU", Together: true}, nil); err == nil {
			t.Errorf("%s and %s were taken for two lines", names[0], names[1])
		}
	}
	h.Close()
	if _, _, err := h.JoinLine("/dev/ttyS1", bus.LineUse{}, nil); err == nil {
		t.Error("a closed host took a user")
	}
}
