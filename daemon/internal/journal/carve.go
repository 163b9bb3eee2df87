package journal

import (
	"encoding/binary"
	"os"

	"soakrig/daemon/record"
)

// What SQLite's file format calls the parts of a page, see sqlite.org/fileformat2.html.
const (
	tableLeaf  = 0x0d
	fileHeader = 100 // bytes in front of the first page's own header
	leafHeader = 8
	maxLocal   = pageSize - 35                // longest row that lies on its leaf whole
	minLocal   = (pageSize-12)*32/255 - 23    // of a longer one
	chained    = pageSize - 4                 // bytes of a row on a page behind the leaf
	maxRow     = record.MaxBodyBytes + 16<<20 // longer ones are not rows of ours
)

// pages reads the pages of a database without SQLite, which gives up a whole table, or
// the whole file, for one page of it that is damaged. newer holds pages of its log.
type pages struct {
	file  *os.File // nil: none
	newer map[uint32][]byte
	buf   [pageSize]byte
}

// page is a page by its number from 1 on; nil: it can't be read. It is valid until the
// next call.
func (p *pages) page(n uint32) []byte {
	if d := p.newer[n]; d != nil {
		return d
	}
	if n == 0 || p.file == nil {
		return nil
	}
	if _, err := p.file.ReadAt(p.buf[:], int64(n-1)*pageSize); err != nil {
		return nil
	}
	return p.buf[:]
}

// carve gives every block of a database whose own bytes are whole, whatever became of
// what should lead there. What was deleted may be among them: right, as every block
// that matches its checksum, and sealed in another one. No process may have the file open.
func carve(path string, each func(piece)) {
	f, err := os.Open(path)
	if err != nil {
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return
	}
	p := pages{file: f}
	var leaf [pageSize]byte
	for n := uint32(1); int64(n) <= info.Size()/pageSize; n++ {
		if d := p.page(n); d != nil {
			copy(leaf[:], d)
			p.leaf(leaf[:], n == 1, each)
		}
	}
}

// leaf gives the blocks of the rows that begin on a page, if it is one of a table.
func (p *pages) leaf(d []byte, first bool, each func(piece)) {
	head := 0
	if first {
		head = fileHeader
	}
	if d[head] != tableLeaf {
		return
	}
	for i := range int(binary.BigEndian.Uint16(d[head+3:])) {
		at := head + leafHeader + 2*i
		if at+2 > len(d) {
			return
		}
		cell := int(binary.BigEndian.Uint16(d[at:]))
		if cell >= len(d) {
			continue
		}
		if b, ok := p.block(d[cell:]); ok {
			each(b)
		}
	}
}

// block is the block in the row that c begins with, if it is one that matches its
// checksum and stands under its own number.
func (p *pages) block(c []byte) (piece, bool) {
	size, n := bigVarint(c)
	row, m := bigVarint(c[n:])
	if n == 0 || m == 0 || size > maxRow {
		return piece{}, false
	}
	payload, ok := p.payload(c[n+m:], int(size))
	if !ok {
		return piece{}, false
	}
	b := piece{d: lastColumn(payload)}
	var err error
	if b.first, b.last, err = record.CheckBlock(b.d); err != nil || b.first != row {
		return piece{}, false
	}
	return b, true
}

// payload puts a row together from its leaf and the pages behind.
func (p *pages) payload(c []byte, size int) ([]byte, bool) {
	local := size
	if size > maxLocal {
		if local = minLocal + (size-minLocal)%chained; local > maxLocal {
			local = minLocal
		}
	}
	if len(c) < local || size > local && len(c) < local+4 {
		return nil, false
	}
	out := append([]byte(nil), c[:local]...)
	if size == local {
		return out, true
	}
	for next := binary.BigEndian.Uint32(c[local:]); len(out) < size; {
		d := p.page(next)
		if d == nil {
			return nil, false
		}
		next = binary.BigEndian.Uint32(d)
		out = append(out, d[4:4+min(size-len(out), chained)]...)
	}
	return out, true
}

// lastColumn is the last column of a row if that holds bytes; nil if not.
func lastColumn(row []byte) []byte {
	size, n := bigVarint(row)
	if n == 0 || size < uint64(n) || size > uint64(len(row)) {
		return nil
	}
	length, kind := uint64(0), uint64(0)
	for head, at := row[n:size], size; len(head) > 0; at += length {
		k, m := bigVarint(head)
		if m == 0 || at > uint64(len(row)) {
			return nil
		}
		kind, head = k, head[m:]
		length = columnBytes(k)
		if len(head) == 0 && kind >= 12 && kind%2 == 0 && at+length <= uint64(len(row)) {
			return row[at : at+length]
		}
	}
	return nil
}

// columnBytes is the length of a column of a serial type.
func columnBytes(kind uint64) uint64 {
	switch {
	case kind >= 12:
		return (kind - 12) / 2
	case kind >= 8 || kind == 0:
		return 0
	case kind == 5:
		return 6
	case kind >= 6:
		return 8
	}
	return kind
}

// bigVarint reads SQLite's variable-length number: up to nine bytes, the highest first.
// n is 0 when it is cut.
func bigVarint(p []byte) (v uint64, n int) {
	for i := range min(len(p), 9) {
		if i == 8 {
			return v<<8 | uint64(p[i]), 9
		}
		v = v<<7 | uint64(p[i]&0x7f)
		if p[i] < 0x80 {
			return v, i + 1
		}
	}
	return 0, 0
}
