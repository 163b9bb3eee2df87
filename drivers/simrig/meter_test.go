package simrig

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"net"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"soakrig/drivers/bus"
)

// dial reaches the meter as a driver does.
func dial(t *testing.T, r *Rig) net.Conn {
	t.Helper()
	c, err := r.Dial(t.Context(), "sim-meter:502")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// ask sends a frame in hexadecimal and returns the reply.
func ask(t *testing.T, c net.Conn, request string) string {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(request, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Write(b); err != nil {
		t.Fatal(err)
	}
	head := make([]byte, 6)
	if _, err := io.ReadFull(c, head); err != nil {
		t.Fatal(err)
	}
	body := make([]byte, binary.BigEndian.Uint16(head[4:]))
	if _, err := io.ReadFull(c, body); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(append(head, body...))
}

// Frames written out by hand: MODBUS Application Protocol V1.1b3 section 6.4 (read
// input registers), Messaging on TCP/IP V1.0b section 3.1.3 (the seven bytes before).
func TestMeterFrames(t *testing.T) {
	r, c := newRig(t, quiet())
	c.t = 2 * time.Second
	conn := dial(t, r)
	got := ask(t, conn, "0102 0000 0006 01 04 000C 0002")
	if want := "0102" + "0000" + "0007" + "01" + "04" + "04"; !strings.HasPrefix(got, want) || len(got) != len(want)+8 {
		t.Fatalf("reply %s, want %s and four bytes", got, want)
	}
	bits, _ := hex.DecodeString(got[len(got)-8:])
	near(t, "active power, float32 most significant byte first", float64(math.Float32frombits(binary.BigEndian.Uint32(bits))), r.Truth().WallW, 0.01)
	if holding := ask(t, conn, "0103 0000 0006 01 03 000C 0002"); holding[18:] != got[18:] || holding[14:16] != "03" {
		t.Errorf("as holding registers: %s", holding)
	}
	for _, x := range []struct{ what, request, want string }{
		{"function 6", "0001 0000 0006 01 06 000C 0002", "000100000003018601"},
		{"function 16", "0001 0000 0009 01 10 000C 0001 02 0000", "000100000003019001"},
		{"odd count", "0001 0000 0006 01 04 000C 0001", "000100000003018403"},
		{"no registers", "0001 0000 0006 01 04 000C 0000", "000100000003018403"},
		{"too many", "0001 0000 0006 01 04 0000 007E", "000100000003018403"},
		{"half a value", "0001 0000 0006 01 04 000D 0002", "000100000003018402"},
		{"beyond the map", "0001 0000 0006 01 04 0190 0002", "000100000003018402"},
		{"end of the address space", "0001 0000 0006 01 04 FFFE 0004", "000100000003018402"},
		{"another unit", "0001 0000 0006 02 04 000C 0002", "00010000000302840b"},
		{"short request", "0001 0000 0004 01 04 000C", "000100000003018403"},
	} {
		if got := ask(t, conn, x.request); got != x.want {
			t.Errorf("%s: reply %s, want %s", x.what, got, x.want)
		}
	}
}

func TestMeterDropsWhatIsNotModbus(t *testing.T) {
	r, _ := newRig(t, quiet())
	for what, request := range map[string][]byte{
		"protocol 1":      {0, 1, 0, 1, 0, 6, 1, 4, 0, 12, 0, 2},
		"length 0":        {0, 1, 0, 0, 0, 0, 1},
		"length 1":        {0, 1, 0, 0, 0, 1, 1},
		"length too long": {0, 1, 0, 0, 1, 0, 1, 4},
	} {
		c := dial(t, r)
		if _, err := c.Write(request); err != nil {
			t.Fatal(err)
		}
		if n, err := c.Read(make([]byte, 16)); n != 0 || err == nil {
			t.Errorf("%s: %d bytes, %v", what, n, err)
		}
	}
	half := dial(t, r)
	if _, err := half.Write([]byte{0, 1, 0, 0, 0, 6, 1, 4}); err != nil {
		t.Fatal(err)
	}
	half.Close()
	if got := ask(t, dial(t, r), "0001 0000 0006 01 04 0000 0002"); len(got) != 26 {
		t.Errorf("after the others: %s", got)
	}
}

// An independent client reads every field.
func TestMeterThroughAClient(t *testing.T) {
	o := DefaultOpts()
	o.Unit.Jitter = 0
	r, c := newRig(t, o)
	addr, err := r.MeterAddr()
	if err != nil {
		t.Fatal(err)
	}
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + addr, Timeout: 10 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	if err := client.Open(); err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	read := func(reg uint16) float64 {
		t.Helper()
		v, err := client.ReadFloat32(reg, modbus.INPUT_REGISTER)
		if err != nil {
			t.Fatal(err)
		}
		return float64(v)
	}
	near(t, "energy at the start", read(72), o.Meter.CounterKWh, 0.0011)
	r.SetLoad(true)
	c.t = time.Hour
	truth := r.Truth()
	near(t, "voltage", read(0), 230, 3)
	near(t, "power", read(12), truth.WallW, 0.02*truth.WallW)
	near(t, "current", read(6), read(12)/read(0)/0.97, 0.002)
	near(t, "apparent power", read(18), read(12)/0.97, 0.2)
	near(t, "reactive power", read(24), math.Sqrt(read(18)*read(18)-read(12)*read(12)), 0.5)
	near(t, "power factor", read(30), 0.97, 1e-6)
	near(t, "frequency", read(70), 50, 0.06)
	kWh := truth.WallJ / 3.6e6
	near(t, "import energy", read(72)-o.Meter.CounterKWh, kWh, 0.015*kWh+0.002)
	near(t, "total energy", read(342), read(72), 0)
	near(t, "an unused register", read(100), 0, 0)
	// The counter and the power register have one gain error, fixed by the seed.
	gain := r.meter.gain
	near(t, "gain of the counter", (read(72)-o.Meter.CounterKWh)/kWh, gain, 0.004)
	if gain == 1 || math.Abs(gain-1) > 0.015 {
		t.Errorf("gain error %g", gain-1)
	}
}

// The counter counts what the truth counts.
func TestMeterEnergyIsTheIntegralOfPower(t *testing.T) {
	r, c := newRig(t, quiet())
	for i := range 60 {
		r.SetLoad(i%3 == 0)
		c.t += 37 * time.Second
		r.Truth()
	}
	c.t = c.t.Truncate(time.Second)
	truth := r.Truth()
	near(t, "counted", (r.meter.kWh-quiet().Meter.CounterKWh)*3.6e6, truth.WallJ, 1e-6*truth.WallJ+300)
}

func TestMeterUpdatesOnceASecond(t *testing.T) {
	o := DefaultOpts()
	o.Meter.PowerStepW = 0
	r, c := newRig(t, o)
	changes, last := 0, ""
	conn := dial(t, r)
	for c.t < 20*time.Second {
		c.t += 100 * time.Millisecond
		if got := ask(t, conn, "0001 0000 0006 01 04 000C 0002"); got != last {
			changes, last = changes+1, got
		}
	}
	if changes < 20 || changes > 21 {
		t.Errorf("%d values in 20 s", changes)
	}
}

func TestMeterResolution(t *testing.T) {
	o := DefaultOpts()
	o.Meter.PowerStepW, o.Meter.EnergyStep = 2, 0.1
	r, c := newRig(t, o)
	for range 50 {
		c.t += time.Second
		r.Truth()
		v := math.Float32frombits(uint32(r.meter.regs[12])<<16 | uint32(r.meter.regs[13]))
		if math.Mod(float64(v), 2) != 0 {
			t.Errorf("%g W from a meter with 2 W steps", v)
		}
	}
	e := math.Float32frombits(uint32(r.meter.regs[72])<<16 | uint32(r.meter.regs[73]))
	near(t, "energy in steps of 0.1", float64(e), 412.7, 1e-4)
}

func TestMeterFaults(t *testing.T) {
	at := func(kind string, minute int) Fault {
		return Fault{Kind: kind, Chip: "meter", At: time.Duration(minute) * time.Minute, For: time.Minute}
	}
	o := DefaultOpts()
	o.Faults = []Fault{at("frozen", 1), at("exception", 2), at("nan", 3), at("silent", 4)}
	var second atomic.Int64
	looked := make(chan bool, 100)
	r, err := New(o, func() time.Duration {
		t := time.Duration(second.Load()) * time.Second
		looked <- true
		return t
	})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	conn := dial(t, r)
	const request = "0001 0000 0006 01 04 000C 0002"
	second.Store(61)
	first := ask(t, conn, request)
	r.SetLoad(true)
	second.Store(110)
	if got := ask(t, conn, request); got != first {
		t.Errorf("frozen: %s became %s", first, got)
	}
	second.Store(130)
	if got := ask(t, conn, request); got != "000100000003018404" {
		t.Errorf("exception: %s", got)
	}
	second.Store(190)
	if got := ask(t, conn, request); got != "000100000007010404"+"7fc00000" {
		t.Errorf("not a number: %s", got)
	}
	second.Store(250)
	for len(looked) > 0 {
		<-looked
	}
	unanswered, _ := hex.DecodeString(strings.ReplaceAll(request, " ", ""))
	if _, err := conn.Write(unanswered); err != nil {
		t.Fatal(err)
	}
	<-looked // the meter has it
	second.Store(310)
	got := ask(t, conn, "0002"+request[4:])
	if !strings.HasPrefix(got, "000200000007") || got[4:] == first[4:] {
		t.Errorf("after a request without an answer: %s", got)
	}
}

func TestDial(t *testing.T) {
	r, _ := newRig(t, quiet())
	for _, address := range []string{"meter", "meter:502", "sim-meter", "sim-meter:1502"} {
		c, err := r.Dial(t.Context(), address)
		if err != nil {
			t.Errorf("%s: %v", address, err)
			continue
		}
		c.Close()
	}
	addr, err := r.MeterAddr()
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.Dial(t.Context(), addr)
	if err != nil {
		t.Fatalf("loopback: %v", err)
	}
	c.Close()
	_, err = r.Dial(t.Context(), "192.0.2.1:502")
	wantError(t, err, `knows "meter" and loopback addresses only`)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.Dial(ctx, "meter"); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Close ends listener and connections and waits for their goroutines.
func TestCloseLeavesNothing(t *testing.T) {
	before := runtime.NumGoroutine()
	for range 3 {
		c := &clock{}
		r, err := New(quiet(), c.now)
		if err != nil {
			t.Fatal(err)
		}
		var conns []net.Conn
		for range 5 {
			conn, err := r.Dial(t.Context(), "meter")
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			conns = append(conns, conn)
		}
		ask(t, conns[2], "0001 0000 0006 01 04 000C 0002")
		for range 2 {
			if err := r.Close(); err != nil {
				t.Error(err)
			}
		}
		if n, err := conns[2].Read(make([]byte, 1)); n != 0 || err == nil {
			t.Error("a connection outlived the rig")
		}
		for what, err := range map[string]error{
			"SPI":   errOf(r.SPI("SPI0.0")),
			"I2C":   errOf(r.I2C("I2C1")),
			"pin":   errOf(r.Pin("GPIO4")),
			"meter": errOf(r.Dial(t.Context(), "meter")),
		} {
			if !errors.Is(err, bus.ErrClosed) {
				t.Errorf("%s of a closed rig: %v", what, err)
			}
		}
	}
	if after := runtime.NumGoroutine(); after > before {
		stacks := make([]byte, 1<<16)
		t.Errorf("%d goroutines, %d before:\n%s", after, before, stacks[:runtime.Stack(stacks, true)])
	}
}

func errOf[T any](_ T, err error) error { return err }
