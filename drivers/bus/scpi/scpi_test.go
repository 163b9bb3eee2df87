package scpi

import (
	"bufio"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
)

// stream makes a connection look like a serial line.
type stream struct{ net.Conn }

func (stream) Drain() error                 { return nil }
func (stream) SetMode(bus.SerialMode) error { return errors.ErrUnsupported }

// instrument answers each line it gets with what answer returns, in a new goroutine
// per connection; an empty answer is silence.
type instrument struct {
	answer func(n int, query string) string // called by one goroutine per connection

	mu    sync.Mutex // guards all below
	opens int
	asked []string
}

// note records a query and returns its number.
func (g *instrument) note(query string) int {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.asked = append(g.asked, query)
	return len(g.asked) - 1
}

// opened returns how often it was connected to.
func (g *instrument) opened() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.opens
}

func (g *instrument) open(context.Context) (bus.SerialPort, error) {
	here, far := net.Pipe()
	g.mu.Lock()
	g.opens++
	g.mu.Unlock()
	go func() {
		defer far.Close()
		for r := bufio.NewReader(far); ; {
			query, err := r.ReadString('\n')
			if err != nil {
				return
			}
			if _, err := io.WriteString(far, g.answer(g.note(query), query)); err != nil {
				return
			}
		}
	}()
	return stream{here}, nil
}

func (g *instrument) client(o Options) *Client { return New("instrument", line.New(g.open), o) }

// published is one line of testdata/meters/scpi.jsonl; each names its source.
type published struct {
	ID, Request, Response string
	Expect                struct {
		Numbers []*float64
		Flags   []string
		Error   string
		Code    *int
		Text    string
		Resync  bool
		Partial bool
	}
}

func TestPublishedAnswers(t *testing.T) {
	f, err := os.Open("../../../testdata/meters/scpi.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ran := 0
	for s := bufio.NewScanner(f); s.Scan(); ran++ {
		var c published
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		t.Run(c.ID, func(t *testing.T) { synctest.Test(t, func(t *testing.T) { publishedAnswer(t, c) }) })
	}
	if ran != 11 {
		t.Errorf("%d cases, want 11", ran)
	}
}

func publishedAnswer(t *testing.T, c published) {
	query, err1 := hex.DecodeString(c.Request)
	response, err2 := hex.DecodeString(c.Response)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	g := &instrument{answer: func(n int, got string) string {
		if n == 0 && got != string(query) {
			t.Errorf("sent %q, want %q", got, query)
		}
		return string(response)
	}}
	m := g.client(Options{})
	defer m.Close()
	answer, err := m.Query(t.Context(), strings.TrimSpace(string(query)))
	if c.Expect.Error != "" {
		want := map[string]error{"timeout": ErrTimeout, "extra_line": ErrExtraLine}[c.Expect.Error]
		if want == nil || !errors.Is(err, want) {
			t.Errorf("%v, want %s", err, c.Expect.Error)
		}
		time.Sleep(time.Minute) // the pause, on the bubble's clock
		opens := g.opened()
		m.Query(t.Context(), "*IDN?")
		if g.opened() != opens+1 {
			t.Errorf("the connection was kept")
		}
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	if c.Expect.Code != nil {
		code, text, err := ParseError(answer)
		if err != nil || code != *c.Expect.Code || text != c.Expect.Text || OutOfStep(code) != c.Expect.Resync {
			t.Errorf("%d, %q, %v", code, text, err)
		}
		return
	}
	checkNumbers(t, c, Fields(answer))
}

func checkNumbers(t *testing.T, c published, fields []string) {
	t.Helper()
	if len(fields) != len(c.Expect.Numbers) {
		t.Fatalf("%d fields %q, want %d", len(fields), fields, len(c.Expect.Numbers))
	}
	for i, want := range c.Expect.Numbers {
		v, err := Number(fields[i])
		if want != nil {
			if err != nil || math.Abs(v-*want) > 1e-9 {
				t.Errorf("field %d: %v, %v; want %v", i, v, err, *want)
			}
			continue
		}
		var bad *NotANumberError
		sign := map[string]int{"overrange_positive": 1, "overrange_negative": -1, "nan": 0}
		if !errors.As(err, &bad) || bad.Sign != sign[c.Expect.Flags[i]] {
			t.Errorf("field %d: %v, %v; want %s", i, v, err, c.Expect.Flags[i])
		}
	}
}

func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{"0": 0, "-1": -1, "+1.5": 1.5, ".5": .5, "1.": 1, "-4.2E-03": -0.0042, "9.8E37": 9.8e37} {
		if got, err := Number(text); err != nil || got != want {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for text, sign := range map[string]int{"9.9E37": 1, "-9.9E+37": -1, "9.91E37": 0, "-9.91E37": 0, "9.99999999E37": 1,
		"NAN": 0, "nan": 0, "INF": 1, "-INF": -1, "+INF": 1, "1E999": 1, "-1E999": -1} {
		var bad *NotANumberError
		if v, err := Number(text); !errors.As(err, &bad) || bad.Sign != sign || bad.Error() == "" {
			t.Errorf("%q: %v, %v", text, v, err)
		}
	}
	for _, text := range []string{"", "1 W", "0x1p3", "1_0", "--1", "1,5", "e", "volt", "1.2.3"} {
		if v, err := Number(text); !errors.Is(err, ErrSyntax) || drivers.AnswerFaults(err) != drivers.Corrupt {
			t.Errorf("%q: %v, %v", text, v, err)
		}
	}
	if got := Fields(":MEAS:POW:ACT 1.5E+02 , 7"); fmt.Sprint(got) != "[1.5E+02 7]" {
		t.Errorf("%q", got)
	}
	for _, text := range []string{"", "0", "x,\"y\"", "0,No error", "1,\""} {
		if code, s, err := ParseError(text); err == nil {
			t.Errorf("%q: %d, %q", text, code, s)
		}
	}
}

func TestOnlyQueriesAreSent(t *testing.T) {
	g := &instrument{answer: func(int, string) string { return "1\n" }}
	m := g.client(Options{})
	defer m.Close()
	for _, text := range []string{"", "?", "*RST", "OUTP ON", "MEAS:POW?;*RST", "MEAS:POW?\n*RST", "*CLS", "INIT;FETC?", "CONF? ;OUTP ON", "SOUR:VOLT 3?", "MEAS?\x00"} {
		if _, err := m.Query(t.Context(), text); !errors.Is(err, ErrQuery) {
			t.Errorf("%q: %v", text, err)
		}
	}
	for _, text := range []string{"*IDN?", "MEAS:POW? (@1)", "FETC:VOLT?;CURR?"} {
		if err := CheckQuery(text); err != nil {
			t.Error(err)
		}
	}
	if g.opened() != 0 {
		t.Errorf("opened %d times", g.opened())
	}
}

// TestALateAnswerIsNotTheNextOne asks for two values in turn; the fourth answer comes
// late, doubled or cut. No answer may be taken for the other query's.
func TestALateAnswerIsNotTheNextOne(t *testing.T) {
	for _, serial := range []bool{false, true} {
		for name, disturb := range map[string]func(good string) string{
			"silence": func(string) string { return "" },
			"cut":     func(good string) string { return good[:2] },
			"doubled": func(good string) string { return good + good },
			"garbled": func(good string) string { return "\xff" + good },
			"late":    func(good string) string { time.Sleep(2100 * time.Millisecond); return good },
		} {
			t.Run(fmt.Sprintf("%s serial=%v", name, serial), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					var hit atomic.Bool
					g := &instrument{}
					g.answer = func(n int, query string) string {
						switch query {
						case "*CLS\n":
							return ""
						case "*IDN?\n":
							return "Invented,PA-1,007,1.0\n"
						}
						good := strings.TrimSuffix(query, "?\n") + "\n"
						if n > 3 && hit.CompareAndSwap(false, true) {
							return disturb(good)
						}
						return good
					}
					m := g.client(Options{Serial: serial})
					defer m.Close()
					bad := 0
					for i := range 20 {
						want := []string{"AAAA", "BBBB"}[i%2]
						got, err := m.Query(t.Context(), want+"?")
						if err == nil && got != want {
							t.Fatalf("query %d: %q for %q", i, got, want)
						}
						if err != nil {
							bad++
						}
						time.Sleep(time.Second) // the bubble's clock
					}
					if bad == 0 || bad > 3 {
						t.Errorf("%d queries failed", bad)
					}
				})
			})
		}
	}
}

// TestSlowInstrument asks for two values in turn over a serial line, of an instrument
// that takes longer than the time-out for each answer and gives all of them in order.
// No answer may be taken for the other query's. One that does not say who it is has
// nothing better than a pause, and is left out where that is too short.
func TestSlowInstrument(t *testing.T) {
	for latency := 1500 * time.Millisecond; latency < 9*time.Second; latency += 370 * time.Millisecond {
		for _, period := range []time.Duration{0, 300 * time.Millisecond, time.Second} {
			synctest.Test(t, func(t *testing.T) { askSlowInstrument(t, latency, period) })
		}
	}
}

func askSlowInstrument(t *testing.T, latency, period time.Duration) {
	g := &slowInstrument{latency: latency, in: make(chan string, 1000)}
	far := &slowPort{g: g}
	g.port = far
	done := make(chan struct{})
	go g.work(done)
	m := New("slow", line.New(func(context.Context) (bus.SerialPort, error) { return far, nil }), Options{Serial: true})
	good := 0
	for i := range 30 {
		want := []string{"AAAA", "BBBB"}[i%2]
		got, err := m.Query(t.Context(), want+"?")
		if err == nil && got != want {
			t.Errorf("latency %v, period %v, query %d: %q for %q", latency, period, i, got, want)
		}
		if err == nil {
			good++
		}
		time.Sleep(period) // the bubble's clock
	}
	if latency < 2*time.Second && good < 29 {
		t.Errorf("latency %v: %d of 30 answers of an instrument that is fast enough", latency, good)
	}
	m.Close()
	close(g.in)
	<-done
}

// slowInstrument answers one message after the other.
type slowInstrument struct {
	latency time.Duration
	in      chan string
	port    *slowPort
}

func (g *slowInstrument) work(done chan<- struct{}) {
	defer close(done)
	for query := range g.in {
		switch query {
		case "*CLS":
			continue
		case "*IDN?":
			time.Sleep(g.latency) // the bubble's clock
			g.port.receive("Invented,PA-1,007,1.0\n")
		default:
			time.Sleep(g.latency)
			g.port.receive(strings.TrimSuffix(query, "?") + "\n")
		}
	}
}

// slowPort is a serial line with buffers on both sides.
type slowPort struct {
	g *slowInstrument

	mu       sync.Mutex // guards all below
	rx       []byte
	deadline time.Time
	closed   bool
}

func (p *slowPort) receive(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rx = append(p.rx, text...)
}

func (p *slowPort) Read(b []byte) (int, error) {
	for {
		p.mu.Lock()
		n, end, closed := copy(b, p.rx), p.deadline, p.closed
		p.rx = p.rx[n:]
		p.mu.Unlock()
		switch {
		case closed:
			return 0, bus.ErrClosed
		case n > 0:
			return n, nil
		case !time.Now().Before(end):
			return 0, os.ErrDeadlineExceeded
		}
		time.Sleep(min(time.Until(end), 20*time.Millisecond)) // the bubble's clock
	}
}

func (p *slowPort) Write(b []byte) (int, error) {
	for text := range strings.SplitSeq(strings.TrimSuffix(string(b), "\n"), "\n") {
		p.g.in <- text
	}
	return len(b), nil
}

func (p *slowPort) SetReadDeadline(t time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deadline = t
	return nil
}
func (p *slowPort) SetWriteDeadline(time.Time) error { return nil }
func (p *slowPort) SetMode(bus.SerialMode) error     { return errors.ErrUnsupported }
func (p *slowPort) Drain() error                     { return nil }
func (p *slowPort) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return nil
}

// TestMuteInstrument: one that does not say who it is still gives its values.
func TestMuteInstrument(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &instrument{answer: func(_ int, query string) string {
			if strings.HasPrefix(query, "*") {
				return ""
			}
			return "5.0\n"
		}}
		m := g.client(Options{Serial: true})
		defer m.Close()
		start, last := time.Now(), time.Time{}
		for range 20 {
			got, err := m.Query(t.Context(), "VAL?")
			if err == nil && got != "5.0" {
				t.Errorf("%q", got)
			}
			if err != nil {
				last = time.Now()
			}
		}
		if last.Sub(start) > 15*time.Second {
			t.Errorf("no value for %v", last.Sub(start))
		}
	})
}

func TestCancelAndClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &instrument{answer: func(int, string) string { return "" }}
		m := g.client(Options{Timeout: time.Hour})
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		if _, err := m.Query(ctx, "*IDN?"); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
		time.AfterFunc(time.Second, func() { m.Close() })
		if _, err := m.Query(t.Context(), "*IDN?"); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("closed: %v", err)
		}
		m.Close()
	})
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1", "-9.9E37", "nan", "+1.987000E+02", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, field := range Fields(text) {
			if v, err := Number(field); err == nil && (math.IsNaN(v) || math.Abs(v) >= sentinel) {
				t.Errorf("%q is %v", field, v)
			}
		}
	})
}
