package record_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"testing"

	"soakrig/daemon/record"

	"pgregory.net/rapid"
)

// errLarge: constant columns let a few bytes stand for gigabytes of samples, which
// the reader never holds at once, but a test that collects them would.
var errLarge = errors.New("more channels than a test should collect")

// unpack reads every entry of a block.
func unpack(p []byte) ([]record.Entry, error) {
	var r record.BlockReader
	if err := r.Reset(p); err != nil {
		return nil, err
	}
	var out []record.Entry
	raws := 0
	for r.Scan() {
		e := record.Entry{Seq: r.Seq(), At: r.Stamp()}
		if s := r.Sample(); s != nil {
			if raws += len(s.Raw); raws > 1<<20 {
				return nil, errLarge
			}
			e.Body = &record.Sample{Layout: s.Layout, Source: s.Source, Raw: append([]record.Raw(nil), s.Raw...)}
		} else {
			b, err := record.DecodeBody(r.Encoded())
			if err != nil {
				return nil, err
			}
			e.Body = b
		}
		out = append(out, e)
	}
	if r.Err() == nil && len(out) != r.Len() {
		return nil, fmt.Errorf("%d entries of %d", len(out), r.Len())
	}
	return out, r.Err()
}

// pack packs all entries, which must be consecutive, into one block.
func pack(entries []record.Entry) ([]byte, error) {
	var w record.BlockWriter
	w.Reset(entries[0].Seq)
	for _, e := range entries {
		body, err := record.AppendBody(nil, e.Body)
		if err != nil {
			return nil, err
		}
		ok, err := w.Add(e.At, body)
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, errors.New("block is full")
		}
	}
	return w.Append(nil), nil
}

func drawRaw(t *rapid.T) record.Raw {
	r := record.Raw{
		Faults: record.Faults(rapid.SampledFrom([]uint32{0, 0, 0, 1, 1 << 5, math.MaxUint32}).Draw(t, "faults")),
		Has:    record.Fields(rapid.IntRange(0, 7).Draw(t, "has")),
		AgeUS:  rapid.Int32().Draw(t, "age"),
	}
	code := rapid.OneOf(rapid.Int64(), rapid.Int64Range(-8192, 8191), rapid.Just(int64(math.MinInt64)), rapid.Just(int64(math.MaxInt64)))
	if r.Has&record.HasCode != 0 {
		r.Code = code.Draw(t, "code")
	}
	if r.Has&record.HasCold != 0 {
		r.Cold = code.Draw(t, "cold")
	}
	if r.Has&record.HasChip != 0 {
		r.Chip = code.Draw(t, "chip")
	}
	return r
}

func drawBody(t *rapid.T) record.Body {
	if rapid.IntRange(0, 9).Draw(t, "kind") == 0 {
		return &record.Mark{Text: rapid.String().Draw(t, "text"), Author: "bench"}
	}
	s := &record.Sample{
		Layout: uint32(rapid.IntRange(1, 2).Draw(t, "layout")),
		Source: uint16(rapid.IntRange(0, 2).Draw(t, "source")),
	}
	for range rapid.IntRange(0, 3).Draw(t, "channels") {
		s.Raw = append(s.Raw, drawRaw(t))
	}
	return s
}

func drawStamp(t *rapid.T) record.Stamp {
	return record.Stamp{
		Boot:   record.BootID{byte(rapid.IntRange(0, 2).Draw(t, "boot"))},
		BootNS: rapid.OneOf(rapid.Int64(), rapid.Int64Range(0, 1e12)).Draw(t, "ns"),
		WallNS: rapid.Int64().Draw(t, "wall"),
		Synced: rapid.Bool().Draw(t, "synced"),
	}
}

func same(a, b record.Entry) bool {
	if a.Seq != b.Seq || a.At != b.At {
		return false
	}
	x, ok := a.Body.(*record.Sample)
	y, ok2 := b.Body.(*record.Sample)
	if ok && ok2 {
		return x.Layout == y.Layout && x.Source == y.Source && len(x.Raw) == len(y.Raw) &&
			(len(x.Raw) == 0 || reflect.DeepEqual(x.Raw, y.Raw))
	}
	return reflect.DeepEqual(a.Body, b.Body)
}

func TestBlockGivesBackWhatWasPacked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := rapid.Uint64Range(1, 1<<60).Draw(t, "first")
		n := rapid.IntRange(1, 300).Draw(t, "entries")
		entries := make([]record.Entry, n)
		for i := range entries {
			entries[i] = record.Entry{Seq: first + uint64(i), At: drawStamp(t), Body: drawBody(t)}
		}
		p, err := pack(entries)
		if err != nil {
			t.Fatal(err)
		}
		got, err := unpack(p)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != n {
			t.Fatalf("%d entries, want %d", len(got), n)
		}
		for i := range got {
			if !same(got[i], entries[i]) {
				t.Fatalf("entry %d: got %+v %+v, want %+v %+v", i, got[i].At, got[i].Body, entries[i].At, entries[i].Body)
			}
		}
	})
}

// TestBlockRegularSignal packs what a converter delivers and holds the figure that
// the format is chosen for.
func TestBlockRegularSignal(t *testing.T) {
	const scans, channels = 2560, 10
	entries := make([]record.Entry, scans)
	for i := range entries {
		s := &record.Sample{Layout: 1, Source: 0, Raw: make([]record.Raw, channels)}
		for ch := range s.Raw {
			noise := int64(uint32(i*channels+ch)*2654435761>>16&7) - 3
			s.Raw[ch] = record.Raw{
				Has: record.HasCode | record.HasCold, AgeUS: int32(100 * ch),
				Code: int64(128*(40+ch)) + int64(i)/10 + noise, Cold: 400 + int64(i/700),
			}
			if i == 777 && ch == 3 {
				s.Raw[ch] = record.Raw{Faults: record.Open}
			}
		}
		jitter := int64(uint32(i)*2246822519>>16) % 100_000
		boot := int64(i)*100_000_000 + jitter
		entries[i] = record.Entry{Seq: uint64(i + 1), At: record.Stamp{BootNS: boot, WallNS: boot + 1e18, Synced: true}, Body: s}
	}
	p, err := pack(entries)
	if err != nil {
		t.Fatal(err)
	}
	got, err := unpack(p)
	if err != nil {
		t.Fatal(err)
	}
	for i := range got {
		if !same(got[i], entries[i]) {
			t.Fatalf("entry %d differs", i)
		}
	}
	perValue := float64(len(p)) / (scans * channels)
	t.Logf("%d bytes, %.2f per channel value (code and cold junction)", len(p), perValue)
	if perValue > 1.6 {
		t.Errorf("%.2f bytes per value, at most 1.6", perValue)
	}
}

func TestBlockEveryFlippedBitIsSeen(t *testing.T) {
	var entries []record.Entry
	for i := range 20 {
		entries = append(entries, record.Entry{Seq: uint64(i + 5), At: record.Stamp{BootNS: int64(i) * 1000}, Body: &record.Sample{Layout: 1, Raw: []record.Raw{{Has: record.HasCode, Code: int64(i * i)}}}})
	}
	p, err := pack(entries)
	if err != nil {
		t.Fatal(err)
	}
	for bit := range len(p) * 8 {
		p[bit/8] ^= 1 << (bit % 8)
		if _, err := unpack(p); !errors.Is(err, record.ErrMalformed) {
			t.Fatalf("bit %d: error %v, want ErrMalformed", bit, err)
		}
		p[bit/8] ^= 1 << (bit % 8)
	}
	for n := range len(p) {
		if _, err := unpack(p[:n]); !errors.Is(err, record.ErrMalformed) {
			t.Fatalf("cut to %d bytes: error %v, want ErrMalformed", n, err)
		}
	}
}

func TestBlockLimits(t *testing.T) {
	var w record.BlockWriter
	w.Reset(1)
	body, _ := record.AppendBody(nil, &record.Sample{Layout: 1})
	for i := range record.MaxBlockEntries {
		if ok, err := w.Add(record.Stamp{}, body); !ok || err != nil {
			t.Fatalf("entry %d: %v, %v", i, ok, err)
		}
	}
	if ok, err := w.Add(record.Stamp{}, body); ok || err != nil {
		t.Errorf("entry beyond the limit: %v, %v, want false and no error", ok, err)
	}
	if got, err := unpack(w.Append(nil)); err != nil || len(got) != record.MaxBlockEntries {
		t.Errorf("%d entries, %v", len(got), err)
	}
	w.Reset(1)
	if ok, err := w.Add(record.Stamp{}, []byte{1}); ok || err == nil {
		t.Error("a body of one byte was packed")
	}
	if ok, err := w.Add(record.Stamp{}, []byte{1, 1, 0}); ok || !errors.Is(err, record.ErrMalformed) {
		t.Errorf("a cut sample: %v, %v", ok, err)
	}
	shapes := 0
	for ; ; shapes++ {
		body, _ := record.AppendBody(nil, &record.Sample{Layout: uint32(shapes + 1)})
		ok, err := w.Add(record.Stamp{}, body)
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			break
		}
	}
	if got, err := unpack(w.Append(nil)); err != nil || len(got) != shapes {
		t.Errorf("%d entries of as many layouts, want %d: %v", len(got), shapes, err)
	}
	w.Reset(9)
	big := append([]byte{200, 1}, make([]byte, record.MaxBodyBytes-2)...)
	if ok, _ := w.Add(record.Stamp{}, big); !ok {
		t.Error("the longest body does not fit an empty block")
	}
	if ok, _ := w.Add(record.Stamp{}, big); ok {
		t.Error("two of the longest bodies fit one block")
	}
}

// TestBlockKeepsUnknownBodies is what an older build does to a newer journal.
func TestBlockKeepsUnknownBodies(t *testing.T) {
	var w record.BlockWriter
	w.Reset(3)
	body := []byte{42, 7, 1, 2, 3}
	if ok, err := w.Add(record.Stamp{BootNS: 5}, body); !ok || err != nil {
		t.Fatal(ok, err)
	}
	var r record.BlockReader
	if err := r.Reset(w.Append(nil)); err != nil {
		t.Fatal(err)
	}
	if !r.Scan() || !bytes.Equal(r.Encoded(), body) || r.Seq() != 3 || r.Stamp().BootNS != 5 {
		t.Errorf("got % x", r.Encoded())
	}
	if r.Scan() {
		t.Error("a second entry")
	}
}

// FuzzBlock gives the decoder arbitrary bytes behind a right checksum: it must not
// panic, and what it reads without an error must be what packing it again reads.
func FuzzBlock(f *testing.F) {
	for _, n := range []int{1, 3, 200} {
		var entries []record.Entry
		for i := range n {
			entries = append(entries,
				record.Entry{Seq: uint64(2*i + 1), At: record.Stamp{BootNS: int64(i) * 7777}, Body: &record.Sample{Layout: 1, Raw: []record.Raw{{Has: record.HasCode, Code: int64(i * i)}, {Faults: 1, AgeUS: int32(i)}}}},
				record.Entry{Seq: uint64(2*i + 2), Body: &record.Mark{Text: "m"}})
		}
		p, err := pack(entries)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p[:len(p)-4])
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		p = binary.LittleEndian.AppendUint32(p, record.Checksum(p))
		entries, err := unpack(p)
		if err != nil {
			return
		}
		for _, e := range entries {
			if _, unknown := e.Body.(*record.Unknown); unknown {
				return
			}
		}
		again, err := pack(entries)
		if err != nil {
			t.Fatalf("what was read can't be packed: %v", err)
		}
		got, err := unpack(again)
		if err != nil || len(got) != len(entries) {
			t.Fatalf("%d entries, want %d: %v", len(got), len(entries), err)
		}
		for i := range got {
			if !same(got[i], entries[i]) {
				t.Fatalf("entry %d: %+v, want %+v", i, got[i], entries[i])
			}
		}
	})
}

func BenchmarkBlockRead(b *testing.B) {
	const scans, channels = 2560, 10
	entries := make([]record.Entry, scans)
	for i := range entries {
		s := &record.Sample{Layout: 1, Raw: make([]record.Raw, channels)}
		for ch := range s.Raw {
			s.Raw[ch] = record.Raw{Has: 3, AgeUS: int32(ch), Code: int64(i/10) + int64(uint32(i*31+ch)*2654435761>>16&7), Cold: 400}
		}
		entries[i] = record.Entry{Seq: uint64(i + 1), At: record.Stamp{BootNS: int64(i) * 1e8}, Body: s}
	}
	p, err := pack(entries)
	if err != nil {
		b.Fatal(err)
	}
	var r record.BlockReader
	b.ReportAllocs()
	for b.Loop() {
		if err := r.Reset(p); err != nil {
			b.Fatal(err)
		}
		for r.Scan() {
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/scans, "ns/scan")
}

// TestBlockPieces draws long stretches in which codes come and go, so that the
// pieces in which a block is read differ in what they hold.
func TestBlockPieces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.IntRange(1, 3).Draw(t, "channels")
		var entries []record.Entry
		for range rapid.IntRange(1, 6).Draw(t, "stretches") {
			like := make([]record.Raw, channels)
			for ch := range like {
				like[ch] = drawRaw(t)
			}
			moving := rapid.Bool().Draw(t, "moving")
			for i := range rapid.IntRange(1, 200).Draw(t, "length") {
				raw := append([]record.Raw(nil), like...)
				for ch := range raw {
					if moving && raw[ch].Has&record.HasCode != 0 {
						raw[ch].Code += int64(i * ch)
					}
				}
				seq := uint64(len(entries) + 1)
				entries = append(entries, record.Entry{Seq: seq, At: record.Stamp{BootNS: int64(seq) * 7}, Body: &record.Sample{Layout: 1, Raw: raw}})
			}
		}
		p, err := pack(entries)
		if err != nil {
			t.Fatal(err)
		}
		got, err := unpack(p)
		if err != nil || len(got) != len(entries) {
			t.Fatalf("%d entries, want %d: %v", len(got), len(entries), err)
		}
		for i := range got {
			if !same(got[i], entries[i]) {
				t.Fatalf("entry %d: got %+v, want %+v", i, got[i].Body, entries[i].Body)
			}
		}
	})
}
