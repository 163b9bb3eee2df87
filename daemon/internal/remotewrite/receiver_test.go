package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/snappy"
	"google.golang.org/protobuf/encoding/protowire"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/remotewrite/receivertest"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

// receiver is a remote-write receiver with scripted faults. It is an
// http.RoundTripper, so that a test's time can be a bubble's.
type receiver struct {
	// answer decides what a request comes to; nil: it is taken. Samples are stored when
	// the status is 2xx. A negative status is a broken connection.
	answer func(got request) reply

	mu       sync.Mutex
	stored   map[point]uint64 // value bits
	order    []point          // as stored
	again    int              // samples stored a second time with the same value
	requests []request
	largest  int
}

// point is a sample without its value.
type point = receivertest.Point

type request struct {
	at      time.Time
	version int
	bytes   int
	points  []point
	values  []uint64
	header  http.Header
}

type reply struct {
	code   int
	text   string
	header map[string]string
	after  time.Duration
}

var errConnection = errors.New("connection refused")

// RoundTrip implements http.RoundTripper.
func (r *receiver) RoundTrip(req *http.Request) (*http.Response, error) {
	packed, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	plain, err := snappy.Decode(nil, packed)
	if err != nil {
		return nil, err
	}
	got := request{at: time.Now(), version: 1, bytes: len(plain), header: req.Header}
	if strings.Contains(req.Header.Get("Content-Type"), "write.v2") {
		got.version = 2
		err = decode2(plain, &got)
	} else {
		err = decode1(plain, &got)
	}
	if err != nil {
		return nil, err
	}
	rep := reply{code: 204}
	if r.answer != nil {
		rep = r.answer(got)
	}
	if rep.after > 0 {
		if err := sleep(req.Context(), rep.after); err != nil {
			return nil, err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.requests = append(r.requests, got)
	r.largest = max(r.largest, got.bytes)
	if rep.code < 0 {
		return nil, errConnection
	}
	if rep.code/100 == 2 {
		r.store(got)
	}
	resp := &http.Response{StatusCode: rep.code, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(rep.text)), Request: req}
	for k, v := range rep.header {
		resp.Header.Set(k, v)
	}
	return resp, nil
}

func (r *receiver) store(got request) {
	if r.stored == nil {
		r.stored = map[point]uint64{}
	}
	for i, p := range got.points {
		if old, ok := r.stored[p]; ok && old == got.values[i] {
			r.again++
		} else {
			r.order = append(r.order, p)
		}
		r.stored[p] = got.values[i]
	}
}

func (r *receiver) all() map[point]uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return maps.Clone(r.stored)
}

// fields walks the fields of a message.
func fields(b []byte, f func(num protowire.Number, typ protowire.Type, v []byte, n uint64) error) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		var v []byte
		var u uint64
		switch typ {
		case protowire.BytesType:
			v, n = protowire.ConsumeBytes(b)
		case protowire.VarintType:
			u, n = protowire.ConsumeVarint(b)
		case protowire.Fixed64Type:
			u, n = protowire.ConsumeFixed64(b)
		default:
			return fmt.Errorf("field %d has type %d", num, typ)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		if err := f(num, typ, v, u); err != nil {
			return err
		}
	}
	return nil
}

func decodeSample(b []byte) (ms int64, bits uint64, err error) {
	err = fields(b, func(num protowire.Number, _ protowire.Type, _ []byte, n uint64) error {
		switch num {
		case 1:
			bits = n
		case 2:
			ms = int64(n)
		default:
			return fmt.Errorf("sample has field %d", num)
		}
		return nil
	})
	return
}

// text makes a series of labels, and refuses unsorted or empty ones.
func text(names, values []string) (string, error) {
	if !slices.IsSorted(names) || slices.Contains(values, "") || len(names) != len(values) {
		return "", fmt.Errorf("labels %q with values %q", names, values)
	}
	var name string
	var rest []string
	for i := range names {
		if names[i] == "__name__" {
			name = values[i]
		} else {
			rest = append(rest, fmt.Sprintf("%s=%q", names[i], values[i]))
		}
	}
	return name + "{" + strings.Join(rest, ",") + "}", nil
}

func decode1(b []byte, got *request) error {
	return fields(b, func(num protowire.Number, _ protowire.Type, ts []byte, _ uint64) error {
		if num != 1 {
			return fmt.Errorf("request has field %d", num)
		}
		var names, values []string
		return fields(ts, func(num protowire.Number, _ protowire.Type, v []byte, _ uint64) error {
			switch num {
			case 1:
				return fields(v, func(num protowire.Number, _ protowire.Type, v []byte, _ uint64) error {
					if num == 1 {
						names = append(names, string(v))
					} else {
						values = append(values, string(v))
					}
					return nil
				})
			case 2:
				series, err := text(names, values)
				if err != nil {
					return err
				}
				ms, bits, err := decodeSample(v)
				got.points, got.values = append(got.points, point{Series: series, MS: ms}), append(got.values, bits)
				return err
			}
			return fmt.Errorf("series has field %d", num)
		})
	})
}

func decode2(b []byte, got *request) error {
	var symbols []string
	err := fields(b, func(num protowire.Number, _ protowire.Type, v []byte, _ uint64) error {
		if num == 4 {
			symbols = append(symbols, string(v))
		}
		return nil
	})
	if err != nil || len(symbols) == 0 || symbols[0] != "" {
		return fmt.Errorf("symbols %q: %w", symbols, err)
	}
	return fields(b, func(num protowire.Number, _ protowire.Type, ts []byte, _ uint64) error {
		if num != 5 {
			return nil
		}
		var names, values []string
		metadata := false
		err := fields(ts, func(num protowire.Number, _ protowire.Type, v []byte, _ uint64) error {
			switch num {
			case 1:
				for i := 0; len(v) > 0; i++ {
					ref, n := protowire.ConsumeVarint(v)
					if n < 0 || ref >= uint64(len(symbols)) {
						return errors.New("label reference")
					}
					v = v[n:]
					if i%2 == 0 {
						names = append(names, symbols[ref])
					} else {
						values = append(values, symbols[ref])
					}
				}
			case 2:
				series, err := text(names, values)
				if err != nil {
					return err
				}
				ms, bits, err := decodeSample(v)
				got.points, got.values = append(got.points, point{Series: series, MS: ms}), append(got.values, bits)
				return err
			case 5:
				metadata = true
				return fields(v, func(num protowire.Number, _ protowire.Type, _ []byte, n uint64) error {
					if num == 1 && n != typeGauge && n != typeCounter || num != 1 && n >= uint64(len(symbols)) {
						return fmt.Errorf("metadata field %d is %d", num, n)
					}
					return nil
				})
			}
			return nil
		})
		if err == nil && !metadata {
			err = errors.New("a series without metadata")
		}
		return err
	})
}

// bench is a journal that is written to, and a sender that reads it.
type bench struct {
	t       *testing.T
	dir     string
	clock   rigtime.Clock
	journal *journal.Journal
	layout  *record.Layout
	seed    int64
	lastNS  int64
	sync    time.Duration // of the journal; zero: 5 min
	ring    int           // bytes of memory of the journal; zero: its default
	stop    func()
	s       *Sender
	sent    uint64 // samples sent by senders that were stopped, every attempt counted
}

func benchLayout() *record.Layout {
	ch := func(name string, kind record.Kind, role record.Role, perCode float64) record.Channel {
		return record.Channel{Name: name, Kind: kind, Unit: kind.Unit(), Role: role, Converter: record.Converter{Model: "M1", Law: record.LawLinear, PerCode: perCode}}
	}
	return &record.Layout{
		ID: 7, Rig: "bench-2",
		Sources: []record.Source{
			{Name: "back", Driver: "thermo", EveryNS: 1e9, Channels: []int{0, 1}},
			{Name: "wall", Driver: "meter", EveryNS: 1e9, Channels: []int{2, 3}},
		},
		Channels: []record.Channel{
			ch("vr1", record.Temperature, record.RoleProbe, 0.0078125), ch("vr2", record.Temperature, record.RoleProbe, 0.0078125),
			ch("wall", record.Power, record.RoleSupply, 0.1), ch("energy", record.Energy, record.RoleSupply, 3600),
		},
	}
}

// quickDir is a folder in memory where there is one: what a disk does to hours of
// bubble time is tested with the journal.
func quickDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "remotewrite")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

func newBench(t *testing.T) *bench { return newBenchOf(t, 0) }

func newBenchOf(t *testing.T, ring int) *bench {
	b := &bench{t: t, ring: ring, dir: quickDir(t), clock: rigtime.NewElapsed(record.BootID{9}), layout: benchLayout()}
	b.open()
	b.add(b.layout)
	return b
}

func (b *bench) open() {
	b.t.Helper()
	every := 5 * time.Minute
	if b.sync > 0 {
		every = b.sync
	}
	j, err := journal.Open(journal.Options{Dir: b.dir, Sync: every, RingBytes: b.ring})
	if err != nil {
		b.t.Fatal(err)
	}
	b.journal = j
}

func (b *bench) add(body record.Body) {
	b.t.Helper()
	if _, err := b.journal.Append(b.clock.Now(), body); err != nil {
		b.t.Fatal(err)
	}
}

// scan adds one sample of each source.
func (b *bench) scan() {
	at := b.clock.Now()
	for at.WallNS-b.lastNS < 1e6 { // one time for one sample
		time.Sleep(100 * time.Microsecond)
		at = b.clock.Now()
	}
	b.lastNS = at.WallNS
	b.scanAt(at)
}

func (b *bench) scanAt(at record.Stamp) {
	b.t.Helper()
	b.seed++
	for src := range uint16(2) {
		_, err := b.journal.Append(at, &record.Sample{Layout: b.layout.ID, Source: src, Raw: []record.Raw{
			{Has: record.HasCode, Code: 3000 + b.seed%977, AgeUS: 1500}, {Has: record.HasCode, Code: 2000 + b.seed%311},
		}})
		if err != nil {
			b.t.Fatal(err)
		}
	}
}

// write scans every period for a time.
func (b *bench) write(every, length time.Duration) {
	for range int(length / every) {
		b.scan()
		time.Sleep(every)
	}
}

// send starts a sender.
func (b *bench) send(r http.RoundTripper, change func(*Options)) {
	b.t.Helper()
	o := Options{
		Name: "lab", URL: "http://receiver.invalid/api/v1/write", Rig: "bench-2", Labels: map[string]string{"job": "soakd"},
		Client: &http.Client{Transport: r}, Window: 24 * time.Hour, Flush: 2 * time.Second, Batch: 500,
		Journal: b.journal, Dir: b.dir, Clock: b.clock, Layout: func() *record.Layout { return b.layout },
	}
	if change != nil {
		change(&o)
	}
	s, err := New(o)
	if err != nil {
		b.t.Fatal(err)
	}
	b.s = s
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	b.stop = func() {
		b.t.Helper()
		cancel()
		if err := <-done; err != nil {
			b.t.Errorf("Run: %v", err)
		}
		b.sent += s.Stats().Sent
	}
}

// settled waits until everything has been sent.
func (b *bench) settled(within time.Duration) {
	b.t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if st := b.s.Stats(); st.Behind == 0 && st.Backlog == 0 {
			return
		}
	}
	b.t.Errorf("not everything was sent within %v: %+v", within, b.s.Stats())
}

// close ends sender and journal.
func (b *bench) close() {
	b.t.Helper()
	b.stop()
	if err := b.journal.Close(); err != nil {
		b.t.Error(err)
	}
}

// expected is what the journal holds, as series, times and values; it is made by a
// reading of the journal that shares nothing with the sender but the conversion.
func (b *bench) expected() map[point]uint64 {
	b.t.Helper()
	head := b.journal.State().Head
	r := b.journal.NewReader(1)
	defer r.Close()
	conv, err := convert.New(b.layout)
	if err != nil {
		b.t.Fatal(err)
	}
	want := map[point]uint64{}
	names := map[string]string{
		"vr1":  `soakrig_sample_temperature_celsius{channel="vr1",job="soakd",rig="bench-2",role="probe"}`,
		"vr2":  `soakrig_sample_temperature_celsius{channel="vr2",job="soakd",rig="bench-2",role="probe"}`,
		"wall": `soakrig_sample_power_watts{channel="wall",job="soakd",rig="bench-2",role="supply"}`, "energy": `soakrig_sample_energy_joules_total{channel="energy",job="soakd",rig="bench-2",role="supply"}`,
	}
	for r.Seq() <= head {
		e, err := r.Next(context.Background())
		if err != nil {
			b.t.Fatal(err)
		}
		s, ok := e.Body.(*record.Sample)
		if !ok {
			continue
		}
		values := make([]convert.Value, len(s.Raw))
		if err := conv.Convert(s, values); err != nil {
			b.t.Fatal(err)
		}
		for i, v := range values {
			ch := b.layout.Channels[b.layout.Sources[s.Source].Channels[i]].Name
			if v.Faults == 0 {
				want[point{Series: names[ch], MS: (e.At.WallNS - int64(s.Raw[i].AgeUS)*1000) / 1e6}] = math.Float64bits(v.Value)
			}
		}
	}
	return want
}

// wantAll wants every sample of the journal at the receiver, unaltered, and no other.
func (b *bench) wantAll(r *receiver) {
	b.t.Helper()
	want := b.expected()
	missing, altered, surplus := receivertest.Compare(want, r.all())
	st := b.s.Stats()
	b.t.Logf("journal %d, sent %d, stored %d, stored again %d, missing %d, altered %d, given up %v", len(want), st.Sent, len(r.all()), r.again, missing, altered, given(st))
	if missing+altered+surplus > 0 || len(want) == 0 {
		b.t.Errorf("%d of %d samples are missing, %d altered, %d from nowhere", missing, len(want), altered, surplus)
	}
}

// liveAge is how old the newest sample of any request was when it was made, at worst,
// between two instants: the longest time for which the receiver's newest value was late.
func (r *receiver) liveAge(from, to time.Time) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	worst, newest := time.Duration(0), from
	for _, q := range r.requests {
		if q.at.Before(from) || q.at.After(to) {
			continue
		}
		worst = max(worst, q.at.Sub(newest))
		for _, p := range q.points {
			if at := time.UnixMilli(p.MS); at.After(newest) {
				newest = at
			}
		}
	}
	return max(worst, to.Sub(newest))
}

// given is what was given up.
func given(st Stats) map[string]uint64 {
	out := map[string]uint64{}
	for why, n := range st.Dropped {
		if n > 0 {
			out[why] = n
		}
	}
	return out
}
