package record

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

// MaxBlockEntries bounds the entries of one block.
const MaxBlockEntries = 1 << 16

// maxBlockRaws bounds the channels of all sample shapes of a block together.
const maxBlockRaws = 2 * MaxRaws

// maxBlockShapes bounds the sample shapes of a block.
const maxBlockShapes = 512

const blockMagic = "SRB1"

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Checksum is the CRC32C of p, which every block and every stored row carries.
func Checksum(p []byte) uint32 { return crc32.Checksum(p, castagnoli) }

// shape is what entries of a block have in common so that they share columns:
// samples of one source and layout with one number of channels. Shape 0 holds all
// other bodies.
type shape struct {
	layout uint32
	source uint16
	raws   int
}

// BlockWriter packs consecutive entries into a block. The zero value is ready
// after Reset. One goroutine at a time.
type BlockWriter struct {
	first   uint64
	entries int
	boots   []BootID
	order   []int64 // shape of each entry
	flags   []int64 // boot index * 2 + synced
	shapes  []shape
	gather  []gather
	sample  Sample
	raws    int
	scratch []int64
}

// gather collects the entries of one shape.
type gather struct {
	boot, offset []int64 // BootNS, WallNS - BootNS
	raw          []Raw
	lengths      []int64
	bodies       []byte
}

// Reset begins a block whose first entry has the sequence number first.
func (w *BlockWriter) Reset(first uint64) {
	w.first, w.entries, w.raws = first, 0, 0
	w.boots, w.order, w.flags = w.boots[:0], w.order[:0], w.flags[:0]
	w.shapes = append(w.shapes[:0], shape{})
	for i := range w.gather {
		g := &w.gather[i]
		g.boot, g.offset, g.raw = g.boot[:0], g.offset[:0], g.raw[:0]
		g.lengths, g.bodies = g.lengths[:0], g.bodies[:0]
	}
	if len(w.gather) == 0 {
		w.gather = make([]gather, 1, 8)
	}
}

// Len is the number of entries added since Reset.
func (w *BlockWriter) Len() int { return w.entries }

// Add adds the next entry with its encoded body. ok is false when the block can
// take no more; then nothing was added.
func (w *BlockWriter) Add(at Stamp, body []byte) (ok bool, err error) {
	if w.entries >= MaxBlockEntries {
		return false, nil
	}
	if !IsSample(body) {
		if len(body) < 2 || len(body) > MaxBodyBytes {
			return false, fmt.Errorf("record: pack entry %d: body of %d bytes", w.first+uint64(w.entries), len(body))
		}
		if w.entries > 0 && len(w.gather[0].bodies)+len(body) > MaxBodyBytes {
			return false, nil
		}
		g := w.stamp(0, at)
		g.lengths = append(g.lengths, int64(len(body)))
		g.bodies = append(g.bodies, body...)
		return true, nil
	}
	if err := DecodeSample(body, &w.sample); err != nil {
		return false, fmt.Errorf("record: pack entry %d: %w", w.first+uint64(w.entries), err)
	}
	i := w.shapeOf(shape{w.sample.Layout, w.sample.Source, len(w.sample.Raw)})
	if i < 0 {
		return false, nil
	}
	g := w.stamp(i, at)
	g.raw = append(g.raw, w.sample.Raw...)
	return true, nil
}

func (w *BlockWriter) shapeOf(s shape) int {
	for i := len(w.shapes) - 1; i > 0; i-- {
		if w.shapes[i] == s {
			return i
		}
	}
	if len(w.shapes) > maxBlockShapes || w.entries > 0 && w.raws+s.raws > maxBlockRaws {
		return -1
	}
	w.raws += s.raws
	w.shapes = append(w.shapes, s)
	if len(w.gather) < len(w.shapes) {
		w.gather = append(w.gather, gather{})
	}
	return len(w.shapes) - 1
}

func (w *BlockWriter) stamp(i int, at Stamp) *gather {
	boot := len(w.boots) - 1
	for boot >= 0 && w.boots[boot] != at.Boot {
		boot--
	}
	if boot < 0 {
		w.boots = append(w.boots, at.Boot)
		boot = len(w.boots) - 1
	}
	flags := int64(boot) << 1
	if at.Synced {
		flags |= 1
	}
	w.entries++
	w.order = append(w.order, int64(i))
	w.flags = append(w.flags, flags)
	g := &w.gather[i]
	g.boot = append(g.boot, at.BootNS)
	g.offset = append(g.offset, at.WallNS-at.BootNS)
	return g
}

// Append appends the block to dst. The block must hold at least one entry; it is
// used up until the next Reset.
func (w *BlockWriter) Append(dst []byte) []byte {
	start := len(dst)
	dst = append(dst, blockMagic...)
	dst = binary.AppendUvarint(dst, uint64(w.entries))
	dst = binary.AppendUvarint(dst, w.first)
	dst = binary.AppendUvarint(dst, uint64(len(w.boots)))
	for i := range w.boots {
		dst = append(dst, w.boots[i][:]...)
	}
	dst = binary.AppendUvarint(dst, uint64(len(w.shapes)-1))
	for _, s := range w.shapes[1:] {
		dst = binary.AppendUvarint(dst, uint64(s.layout))
		dst = binary.AppendUvarint(dst, uint64(s.source))
		dst = binary.AppendUvarint(dst, uint64(s.raws))
	}
	dst = appendColumn(dst, w.order, false)
	dst = appendColumn(dst, w.flags, false)
	for i := range w.shapes {
		dst = w.appendShape(dst, i)
	}
	return binary.LittleEndian.AppendUint32(dst, Checksum(dst[start:]))
}

func (w *BlockWriter) appendShape(dst []byte, i int) []byte {
	g := &w.gather[i]
	count := len(g.boot)
	dst = appendColumn(dst, g.boot, true)
	dst = appendColumn(dst, g.offset, false)
	if i == 0 {
		dst = appendColumn(dst, g.lengths, false)
		return append(dst, g.bodies...)
	}
	raws := w.shapes[i].raws
	if count == 0 || raws == 0 {
		return dst
	}
	w.holdAbsent(g.raw, raws)
	for f := range rawFields {
		dst = w.appendField(dst, g.raw, raws, f)
	}
	return dst
}

// holdAbsent gives a code that is not there the value before it, which costs no
// space and is taken away again on reading.
func (w *BlockWriter) holdAbsent(raw []Raw, raws int) {
	for i := range raw {
		r := &raw[i]
		var before Raw
		if i >= raws {
			before = raw[i-raws]
		}
		if r.Has&HasCode == 0 {
			r.Code = before.Code
		}
		if r.Has&HasCold == 0 {
			r.Cold = before.Cold
		}
		if r.Has&HasChip == 0 {
			r.Chip = before.Chip
		}
	}
}

// The fields of a Raw in the order in which a block stores them.
const (
	fieldHas = iota
	fieldFaults
	fieldAge
	fieldCode
	fieldCold
	fieldChip
	rawFields
)

func (r *Raw) field(f int) int64 {
	switch f {
	case fieldHas:
		return int64(r.Has)
	case fieldFaults:
		return int64(r.Faults)
	case fieldAge:
		return int64(r.AgeUS)
	case fieldCode:
		return r.Code
	case fieldCold:
		return r.Cold
	}
	return r.Chip
}

// appendField appends one field of all channels: 0 and a value that all share, or
// 1 and a column for each channel.
func (w *BlockWriter) appendField(dst []byte, raw []Raw, raws, f int) []byte {
	shared := true
	v := raw[0].field(f)
	for i := range raw {
		if raw[i].field(f) != v {
			shared = false
			break
		}
	}
	if shared {
		return binary.AppendVarint(append(dst, 0), v)
	}
	dst = append(dst, 1)
	for ch := range raws {
		w.scratch = w.scratch[:0]
		for i := ch; i < len(raw); i += raws {
			w.scratch = append(w.scratch, raw[i].field(f))
		}
		dst = appendColumn(dst, w.scratch, false)
	}
	return dst
}
