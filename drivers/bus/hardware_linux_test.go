package bus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
)

// pty opens a pseudo terminal: its far end, and the path of the line.
func pty(t *testing.T) (*os.File, string) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatalf("this test needs pseudo terminals: %v", err)
	}
	t.Cleanup(func() { _ = far.Close() })
	fd := int(far.Fd())
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return far, fmt.Sprintf("/dev/pts/%d", n)
}

func TestSerialLine(t *testing.T) {
	far, path := pty(t)
	hw := Hardware()
	line, err := hw.Serial(path, SerialMode{Baud: 19200, Parity: "E", StopBits: 2})
	if err != nil {
		t.Fatal(err)
	}
	tio, err := unix.IoctlGetTermios(int(far.Fd()), unix.TCGETS2)
	if err != nil {
		t.Fatal(err)
	}
	if tio.Ospeed != 19200 || tio.Lflag != 0 || tio.Oflag != 0 {
		t.Errorf("speed %d, local flags %#x, output flags %#x: want 19200 and a raw line", tio.Ospeed, tio.Lflag, tio.Oflag)
	}
	if tio.Cflag&unix.CSTOPB == 0 || tio.Cflag&unix.PARODD != 0 {
		t.Errorf("control flags %#x, want two stop bits and even parity", tio.Cflag)
	}
	if err := line.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 8)
	if _, err := line.Read(buf); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("nothing to read: %v", err)
	}
	if _, err := far.Write([]byte{0x0D, 0x03, 0x11, 0xFF}); err != nil { // bytes that a cooked line would change
		t.Fatal(err)
	}
	if err := line.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if n, err := line.Read(buf); err != nil || n != 4 || buf[0] != 0x0D || buf[1] != 3 || buf[3] != 0xFF {
		t.Errorf("read % X, %v", buf[:n], err)
	}
	if _, err := line.Write([]byte{0x0A, 0x04}); err != nil {
		t.Error(err)
	}
	if n, err := far.Read(buf); err != nil || n != 2 || buf[0] != 0x0A || buf[1] != 4 {
		t.Errorf("the far end got % X, %v", buf[:n], err)
	}
	if _, err := hw.Serial(path, SerialMode{Baud: 9600}); !errors.Is(err, syscall.EBUSY) {
		t.Errorf("a second program: %v, want busy", err)
	}
	if err := line.Drain(); err != nil {
		t.Error(err)
	}
	for range 2 {
		if err := line.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := line.Read(buf); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	if err := line.SetMode(SerialMode{Baud: 9600}); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

func TestSerialLineLost(t *testing.T) {
	far, path := pty(t)
	line, err := Hardware().Serial(path, SerialMode{Baud: 9600})
	if err != nil {
		t.Fatal(err)
	}
	defer line.Close()
	done := make(chan error, 1)
	go func() {
		_, err := line.Read(make([]byte, 1))
		done <- err
	}()
	if err := far.Close(); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-done:
		if err == nil {
			t.Error("a lost line gave no error")
		}
	case <-time.After(10 * time.Second):
		t.Error("a lost line did not end Read")
	}
}

func TestSerialModeWords(t *testing.T) {
	for want, m := range map[string]SerialMode{
		"9600 8N1": {Baud: 9600}, "19200 8E1": {Baud: 19200, Parity: "E"}, "300 7O2": {Baud: 300, DataBits: 7, Parity: "O", StopBits: 2},
	} {
		if m.String() != want {
			t.Errorf("%v, want %s", m, want)
		}
	}
}

func TestHardwareThatIsNotThere(t *testing.T) {
	h := NewHost(Hardware())
	for _, err := range []error{
		func() error { _, err := h.SPI(SPIOptions{Port: "SPI250.9", Max: physic.MegaHertz}); return err }(),
		func() error { _, err := h.I2C(I2COptions{Port: "I2C250", Address: 0x18}); return err }(),
		func() error { _, err := h.Serial("/dev/no-such-line", SerialMode{Baud: 9600}); return err }(),
		func() error { _, err := h.Pin("NO_SUCH_PIN"); return err }(),
	} {
		if !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v: want it to be 'does not exist'", err)
		}
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Hardware().Dial(ctx, "127.0.0.1:1"); !errors.Is(err, context.Canceled) {
		t.Errorf("dial with a cancelled context: %v", err)
	}
}

func link(t *testing.T, target, name string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(target, name); err != nil {
		t.Fatal(err)
	}
}

func TestWhatTheKernelKnows(t *testing.T) {
	root := t.TempDir()
	link(t, "../../../bus/spi/drivers/spidev", filepath.Join(root, "spi0.0", "driver"))
	link(t, "../../../bus/spi/drivers/maxim_thermocouple", filepath.Join(root, "spi0.1", "driver"))
	taken := takenSPI(root)
	if len(taken) != 1 || taken[0].Name != "SPI0.1" || !strings.Contains(taken[0].Note, "maxim_thermocouple") {
		t.Errorf("%+v", taken)
	}
	link(t, "../drivers/mcp9600", filepath.Join(root, "1-0067", "driver"))
	of := filepath.Join(root, "i2c-1", "of_node")
	if err := os.MkdirAll(of, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(of, "clock-frequency"), []byte{0, 1, 0x86, 0xA0}, 0o644); err != nil {
		t.Fatal(err)
	}
	if clock, holder := adviseI2C(root, "1", 0x67); clock != 100*physic.KiloHertz || holder != "mcp9600" {
		t.Errorf("%v, %q", clock, holder)
	}
	if clock, holder := adviseI2C(root, "2", 0x60); clock != 0 || holder != "" {
		t.Errorf("%v, %q", clock, holder)
	}
}

func TestErrnoFromWords(t *testing.T) {
	err := restore(fmt.Errorf("sysfs-spi: Tx() failed: %v", syscall.ENODEV))
	if !errors.Is(err, syscall.ENODEV) || err.Error() != "sysfs-spi: Tx() failed: no such device" {
		t.Errorf("%v", err)
	}
	if err := restore(errors.New("sysfs-spi: something else")); errors.As(err, new(syscall.Errno)) {
		t.Errorf("an errno out of nowhere: %v", err)
	}
	if restore(nil) != nil {
		t.Error("nil became an error")
	}
}

func TestPortNumbers(t *testing.T) {
	for name, want := range map[string][3]int{"SPI0.1": {0, 1, 1}, "/dev/spidev32766.0": {32766, 0, 1}, "SPI0": {}, "SPIx.1": {}, "I2C1": {}} {
		b, c, ok := spiNumbers(name)
		if ok != (want[2] == 1) || ok && (b != want[0] || c != want[1]) {
			t.Errorf("%s: %d.%d %v", name, b, c, ok)
		}
	}
}
