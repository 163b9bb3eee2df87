package archive

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"os"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"soakrig/daemon/record"
)

// The keys of a run file's metadata.
const (
	keyFormat  = "soakrig.format"
	keyRun     = "soakrig.run"
	keyResult  = "soakrig.result"
	keyLayouts = "soakrig.layouts"
	keyEvents  = "soakrig.events"
	keyBudget  = "soakrig.budget"
	keyUnits   = "soakrig.units"
	keyDigest  = "soakrig.rows_sha256"
)

// row is a reading as the file holds it; FORMAT.md says what the columns mean.
type row struct {
	Seq         uint64   `parquet:"seq,delta"`
	AtS         float64  `parquet:"at_s"`
	Wall        int64    `parquet:"wall,timestamp(nanosecond),delta"`
	Synced      bool     `parquet:"clock_synced"`
	Layout      int32    `parquet:"layout,delta"`
	Channel     string   `parquet:"channel,dict"`
	Value       *float64 `parquet:"value,optional"`
	Expanded    *float64 `parquet:"expanded,optional"`
	Faults      string   `parquet:"faults,dict"`
	Code        *int64   `parquet:"code,optional"`
	Cold        *int64   `parquet:"cold_code,optional"`
	Chip        *int64   `parquet:"chip_code,optional"`
	AgeUS       int32    `parquet:"age_us,delta"`
	EMFVolts    *float64 `parquet:"emf_volts,optional"`
	ColdC       *float64 `parquet:"cold_c,optional"`
	ChipC       *float64 `parquet:"chip_c,optional"`
	Uncorrected *float64 `parquet:"uncorrected,optional"`
}

// rowsPerGroup bounds the memory of writer and reader.
const rowsPerGroup = 1 << 18

// Write writes a run and its readings as one Parquet file. It reads readings to the
// end and holds at most one row group in memory.
func Write(w io.Writer, run *Run, readings Readings) error {
	pw := parquet.NewGenericWriter[row](w, parquet.Compression(&zstd.Codec{}), parquet.MaxRowsPerRowGroup(rowsPerGroup),
		parquet.CreatedBy("soakrig", "1", ""))
	sum, batch := newDigest(), make([]row, 0, 1024)
	flush := func() error {
		_, err := pw.Write(batch)
		batch = batch[:0]
		return err
	}
	n := 0
	for x, err := range readings {
		if err != nil {
			return fmt.Errorf("read the readings of %s: %w", run.Name(), err)
		}
		batch = append(batch, toRow(run, x))
		sum.add(&batch[len(batch)-1])
		if n++; len(batch) == cap(batch) {
			if err := flush(); err != nil {
				return fmt.Errorf("write run file: %w", err)
			}
		}
	}
	if err := flush(); err != nil {
		return fmt.Errorf("write run file: %w", err)
	}
	if err := setMetadata(pw, run, sum.text()); err != nil {
		return err
	}
	if err := pw.Close(); err != nil {
		return fmt.Errorf("finish run file: %w", err)
	}
	return nil
}

func setMetadata(pw *parquet.GenericWriter[row], run *Run, digest string) error {
	units := map[string]string{}
	for _, c := range run.Channels() {
		units[c.Name] = c.Unit
	}
	pw.SetKeyValueMetadata(keyFormat, Format)
	pw.SetKeyValueMetadata(keyDigest, digest)
	for _, kv := range []struct {
		key string
		v   any
	}{
		{keyRun, run.Record}, {keyResult, run.Result}, {keyLayouts, run.Layouts}, {keyEvents, run.Events},
		{keyBudget, run.Result.Budget}, {keyUnits, units},
	} {
		text, err := json.Marshal(kv.v)
		if err != nil {
			return fmt.Errorf("write %s of the run file: %w", kv.key, err)
		}
		pw.SetKeyValueMetadata(kv.key, string(text))
	}
	return nil
}

func toRow(run *Run, x *Reading) row {
	r := row{Seq: x.Seq, AtS: x.AtS, Wall: x.WallNS, Synced: x.Synced, Layout: int32(run.Layouts[x.Layout].ID),
		Channel: run.Of(x).Name, AgeUS: x.Raw.AgeUS, EMFVolts: x.EMFVolts, ColdC: x.ColdC, ChipC: x.ChipC, Uncorrected: x.Uncorrected}
	if x.Faults != 0 {
		r.Faults = x.Faults.String()
	} else {
		v := x.Value
		r.Value = &v
		if x.Expanded > 0 {
			u := x.Expanded
			r.Expanded = &u
		}
	}
	code := func(bit record.Fields, v int64) *int64 {
		if x.Raw.Has&bit == 0 {
			return nil
		}
		return &v
	}
	r.Code, r.Cold, r.Chip = code(record.HasCode, x.Raw.Code), code(record.HasCold, x.Raw.Cold), code(record.HasChip, x.Raw.Chip)
	return r
}

// digest is a SHA-256 over the rows' content, independent of how Parquet packs it.
type digest struct {
	h   hash.Hash
	buf []byte
}

func newDigest() *digest { return &digest{h: sha256.New()} }

func (d *digest) add(r *row) {
	b := binary.LittleEndian.AppendUint64(d.buf[:0], r.Seq)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(r.AtS))
	b = binary.LittleEndian.AppendUint64(b, uint64(r.Wall))
	b = append(b, r.Channel...)
	b = append(b, 0)
	b = append(b, r.Faults...)
	b = append(b, 0)
	for _, f := range []*float64{r.Value, r.Expanded, r.EMFVolts, r.ColdC, r.ChipC, r.Uncorrected} {
		if f == nil {
			b = append(b, 0)
			continue
		}
		b = binary.LittleEndian.AppendUint64(append(b, 1), math.Float64bits(*f))
	}
	for _, c := range []*int64{r.Code, r.Cold, r.Chip} {
		if c == nil {
			b = append(b, 0)
			continue
		}
		b = binary.LittleEndian.AppendUint64(append(b, 1), uint64(*c))
	}
	d.buf = b
	d.h.Write(b)
}

func (d *digest) text() string { return hex.EncodeToString(d.h.Sum(nil)) }

// File is an open run file. Close it after use.
type File struct {
	Run
	path   string
	f      *os.File
	pf     *parquet.File
	digest string
}

// ErrNotRun says that a file is no run file of ours.
var ErrNotRun = errors.New("not a soakrig run file")

// Open opens a run file and reads all but its readings.
func Open(path string) (*File, error) {
	return open(path, keyRun, keyResult, keyLayouts, keyEvents)
}

// open reads the metadata under keys and leaves the rest of Run empty.
func open(path string, keys ...string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open run file: %w", err)
	}
	r := &File{path: path, f: f}
	if err := r.head(keys); err != nil {
		return nil, errors.Join(fmt.Errorf("open run file %s: %w", path, err), f.Close())
	}
	return r, nil
}

func (r *File) head(keys []string) error {
	info, err := r.f.Stat()
	if err != nil {
		return err
	}
	if r.pf, err = parquet.OpenFile(r.f, info.Size(), parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true)); err != nil {
		return fmt.Errorf("%w: not whole, or no Parquet: %w", ErrNotRun, err)
	}
	format, _ := r.pf.Lookup(keyFormat)
	if format == "" {
		return fmt.Errorf("%w: a Parquet file without %s", ErrNotRun, keyFormat)
	}
	if format != Format {
		return fmt.Errorf("%w: its format is %q, this soak reads %q; use a newer soak", ErrNotRun, format, Format)
	}
	r.digest, _ = r.pf.Lookup(keyDigest)
	to := map[string]any{keyRun: &r.Record, keyResult: &r.Result, keyLayouts: &r.Layouts, keyEvents: &r.Events}
	for _, key := range keys {
		text, ok := r.pf.Lookup(key)
		if !ok {
			return fmt.Errorf("%w: %s is missing", ErrNotRun, key)
		}
		if err := json.Unmarshal([]byte(text), to[key]); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	return nil
}

// Close closes the file.
func (r *File) Close() error { return r.f.Close() }

// Path is where the file is.
func (r *File) Path() string { return r.path }

// Rows is how many readings the file holds.
func (r *File) Rows() int64 { return r.pf.NumRows() }

// Readings gives the readings in order. After the last one it compares them with the
// digest that was written with them; a difference is an error.
func (r *File) Readings() Readings {
	return func(yield func(*Reading, error) bool) {
		names := r.names()
		pr := parquet.NewGenericReader[row](r.pf)
		defer func() { _ = pr.Close() }()
		sum, batch := newDigest(), make([]row, 1024)
		var x Reading
		for {
			n, err := pr.Read(batch)
			for i := range batch[:n] {
				sum.add(&batch[i])
				if err := fromRow(&batch[i], names, &x); err != nil {
					yield(nil, fmt.Errorf("%s: %w", r.path, err))
					return
				}
				if !yield(&x, nil) {
					return
				}
			}
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				yield(nil, fmt.Errorf("read %s: %w", r.path, err))
				return
			}
		}
		if got := sum.text(); got != r.digest {
			yield(nil, fmt.Errorf("%s is damaged: its readings give the digest %.12s…, they were written with %.12s…; take the run from the rig or a copy again",
				r.path, got, r.digest))
		}
	}
}

// place is where a channel stands.
type place struct{ layout, channel int }

type names map[int32]map[string]place

func (r *File) names() names {
	n := names{}
	for i, l := range r.Layouts {
		m := map[string]place{}
		for j, c := range l.Channels {
			m[c.Name] = place{i, j}
		}
		n[int32(l.ID)] = m
	}
	return n
}

func fromRow(in *row, n names, x *Reading) error {
	at, ok := n[in.Layout][in.Channel]
	if !ok {
		return fmt.Errorf("reading %d is of channel %q in layout %d, which the file does not describe", in.Seq, in.Channel, in.Layout)
	}
	faults, ok := record.ParseFaults(in.Faults)
	if !ok {
		return fmt.Errorf("reading %d has the unknown fault %q; use a newer soak", in.Seq, in.Faults)
	}
	*x = Reading{Seq: in.Seq, AtS: in.AtS, WallNS: in.Wall, Synced: in.Synced, Layout: at.layout, Channel: at.channel, Faults: faults,
		EMFVolts: in.EMFVolts, ColdC: in.ColdC, ChipC: in.ChipC, Uncorrected: in.Uncorrected}
	x.Raw.Faults, x.Raw.AgeUS = faults, in.AgeUS
	switch {
	case in.Value != nil:
		x.Value = *in.Value
	case faults == 0:
		return fmt.Errorf("reading %d has neither value nor fault", in.Seq)
	}
	if in.Expanded != nil {
		x.Expanded = *in.Expanded
	}
	for _, c := range []struct {
		bit record.Fields
		v   *int64
		to  *int64
	}{{record.HasCode, in.Code, &x.Raw.Code}, {record.HasCold, in.Cold, &x.Raw.Cold}, {record.HasChip, in.Chip, &x.Raw.Chip}} {
		if c.v != nil {
			*c.to = *c.v
			x.Raw.Has |= c.bit
		}
	}
	return nil
}
