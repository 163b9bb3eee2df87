package record

import "encoding/binary"

// BlockReader reads a block entry by entry. The zero value is ready after Reset.
// One goroutine at a time.
type BlockReader struct {
	first   uint64
	entries int
	next    int // entries given so far
	boots   []byte
	order   column
	flags   column
	orders  []int64 // decoded pieces of order and flags
	flagsOf []int64
	piece   int // next in orders
	shapes  []shapeReader

	at     Stamp
	sample Sample
	body   []byte
	bad    error
}

// Reset takes a block, checks its CRC32C and its structure. The reader keeps p
// until the next Reset.
func (r *BlockReader) Reset(p []byte) error {
	r.entries, r.next, r.piece = 0, 0, 0
	r.orders, r.flagsOf = r.orders[:0], r.flagsOf[:0]
	r.bad = nil
	if len(p) < len(blockMagic)+4 || string(p[:4]) != blockMagic {
		return malformed("no block")
	}
	body, sum := p[:len(p)-4], binary.LittleEndian.Uint32(p[len(p)-4:])
	if Checksum(body) != sum {
		return malformed("block checksum")
	}
	c := cursor{p: body[4:]}
	n := int(c.uvarint(MaxBlockEntries))
	r.first = c.uvarint(1<<63 - 1)
	boots := int(c.uvarint(uint64(n)))
	r.boots = c.take(boots * len(BootID{}))
	if n == 0 || boots == 0 || c.bad {
		return malformed("block header")
	}
	if err := r.openShapes(&c, n); err != nil {
		return err
	}
	r.order.open(&c, n)
	r.flags.open(&c, n)
	if c.bad {
		return malformed("block order")
	}
	if err := r.countShapes(n, boots); err != nil {
		return err
	}
	for i := range r.shapes {
		r.shapes[i].open(&c, i == 0)
	}
	if c.bad || len(c.p) != 0 {
		return malformed("block columns")
	}
	r.entries = n
	return nil
}

func (r *BlockReader) openShapes(c *cursor, n int) error {
	count := int(c.uvarint(maxBlockShapes)) + 1
	if c.bad || count > n+1 || count > len(c.p)/3+1 {
		return malformed("block shapes")
	}
	if cap(r.shapes) < count {
		r.shapes = append(r.shapes[:cap(r.shapes)], make([]shapeReader, count-cap(r.shapes))...)
	}
	r.shapes = r.shapes[:count]
	r.shapes[0].shape = shape{}
	raws := 0
	for i := 1; i < count; i++ {
		r.shapes[i].shape = shape{
			layout: uint32(c.uvarint(1<<32 - 1)),
			source: uint16(c.uvarint(1<<16 - 1)),
			raws:   int(c.uvarint(MaxRaws)),
		}
		raws += r.shapes[i].raws
	}
	if c.bad || raws > maxBlockRaws {
		return malformed("block shapes")
	}
	return nil
}

// countShapes walks the order and the flags once to learn how many entries each
// shape has and that every index is in range.
func (r *BlockReader) countShapes(n, boots int) error {
	for i := range r.shapes {
		r.shapes[i].count = 0
	}
	order, flags := r.order, r.flags
	var a, b [groupLen]int64
	for left := n; left > 0; {
		m := min(left, groupLen)
		left -= m
		order.read(a[:m])
		flags.read(b[:m])
		for i := range m {
			if a[i] < 0 || a[i] >= int64(len(r.shapes)) || b[i] < 0 || b[i]>>1 >= int64(boots) {
				return malformed("block order")
			}
			r.shapes[a[i]].count++
		}
	}
	return nil
}

// First is the sequence number of the first entry.
func (r *BlockReader) First() uint64 { return r.first }

// Len is the number of entries of the block.
func (r *BlockReader) Len() int { return r.entries }

// Scan moves to the next entry; false at the end of the block or at damage that
// the checksum did not show, which Err tells.
func (r *BlockReader) Scan() bool {
	if r.next >= r.entries || r.bad != nil {
		return false
	}
	if r.piece == len(r.orders) {
		m := min(r.entries-r.next, groupLen)
		if cap(r.orders) < groupLen {
			r.orders, r.flagsOf = make([]int64, groupLen), make([]int64, groupLen)
		}
		r.orders, r.flagsOf = r.orders[:m], r.flagsOf[:m]
		r.order.read(r.orders)
		r.flags.read(r.flagsOf)
		r.piece = 0
	}
	index, flags := r.orders[r.piece], r.flagsOf[r.piece]
	r.piece++
	s := &r.shapes[index]
	if s.next == s.n && !s.fill(index == 0) {
		r.bad = malformed("block fields at entry %d", r.first+uint64(r.next))
		return false
	}
	copy(r.at.Boot[:], r.boots[flags>>1*16:])
	r.at.BootNS = s.boots[s.next]
	r.at.WallNS = s.boots[s.next] + s.offsets[s.next]
	r.at.Synced = flags&1 != 0
	if index == 0 {
		r.body = s.bodies[:s.sizes[s.next]:s.sizes[s.next]]
		s.bodies = s.bodies[len(r.body):]
	} else {
		if r.body != nil {
			r.body = nil
		}
		r.sample.Layout, r.sample.Source = s.layout, s.source
		r.sample.Raw = s.raw[s.next*s.raws : (s.next+1)*s.raws : (s.next+1)*s.raws]
	}
	s.next++
	r.next++
	return true
}

// Err is the damage that ended Scan early.
func (r *BlockReader) Err() error { return r.bad }

// Seq is the sequence number of the entry that Scan moved to.
func (r *BlockReader) Seq() uint64 { return r.first + uint64(r.next) - 1 }

// Stamp is the stamp of the entry that Scan moved to.
func (r *BlockReader) Stamp() Stamp { return r.at }

// Sample is the sample that Scan moved to, valid until the next Scan; nil when the
// entry is something else.
func (r *BlockReader) Sample() *Sample {
	if r.body != nil {
		return nil
	}
	return &r.sample
}

// Encoded is the encoded body that Scan moved to; nil for a sample.
func (r *BlockReader) Encoded() []byte { return r.body }

// CheckBlock verifies the checksum of a block and gives the numbers of its first
// and last entries.
func CheckBlock(p []byte) (first, last uint64, err error) {
	if len(p) < len(blockMagic)+4 || string(p[:len(blockMagic)]) != blockMagic {
		return 0, 0, malformed("no block")
	}
	body, sum := p[:len(p)-4], binary.LittleEndian.Uint32(p[len(p)-4:])
	if Checksum(body) != sum {
		return 0, 0, malformed("block checksum")
	}
	c := cursor{p: body[len(blockMagic):]}
	n := c.uvarint(MaxBlockEntries)
	first = c.uvarint(1<<63 - 1)
	if c.bad || n == 0 || first == 0 {
		return 0, 0, malformed("block header")
	}
	return first, first + n - 1, nil
}
