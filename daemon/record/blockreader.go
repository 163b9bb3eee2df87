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

// shapeReader holds the columns of one shape and up to groupLen decoded entries.
type shapeReader struct {
	shape
	count        int // entries of this shape in the block
	given        int // of them decoded
	n, next      int // decoded pieces and the next of them
	boot, offset column
	lengths      column
	bodies       []byte
	fields       [rawFields][]rawColumn // per channel; empty: one value for all
	shared       [rawFields]int64
	raw          []Raw
	boots        [groupLen]int64
	offsets      [groupLen]int64
	sizes        [groupLen]int64
	fresh        bool     // nothing decoded yet
	lacks        []Fields // per channel: codes that some entry of the piece does not have
	dropped      []bool   // per channel: codes were taken away in the piece before
}

// rawColumn is a column of one field of one channel and what its slots hold.
type rawColumn struct {
	column
	held  int64 // value in all slots of the shape
	holds bool  // whether they hold one
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

func (s *shapeReader) open(c *cursor, other bool) {
	s.given, s.n, s.next, s.fresh = 0, 0, 0, true
	s.boot.open(c, s.count)
	s.offset.open(c, s.count)
	if other {
		s.openBodies(c)
		return
	}
	for f := range s.fields {
		s.fields[f] = s.fields[f][:0]
		s.shared[f] = 0
	}
	if s.count == 0 || s.raws == 0 {
		return
	}
	for f := range s.fields {
		switch c.byte() {
		case 0:
			s.shared[f] = c.varint()
		case 1:
			if cap(s.fields[f]) < s.raws {
				s.fields[f] = make([]rawColumn, s.raws)
			}
			s.fields[f] = s.fields[f][:s.raws]
			for i := range s.fields[f] {
				s.fields[f][i].open(c, s.count)
				s.fields[f][i].holds = false
				if c.bad {
					return
				}
			}
		default:
			c.bad = true
			return
		}
	}
}

func (s *shapeReader) openBodies(c *cursor) {
	s.lengths.open(c, s.count)
	if c.bad {
		return
	}
	total := int64(0)
	lengths := s.lengths
	for left := s.count; left > 0; {
		m := min(left, groupLen)
		left -= m
		lengths.read(s.sizes[:m])
		for _, n := range s.sizes[:m] {
			if n < 2 || n > MaxBodyBytes {
				c.bad = true
				return
			}
			total += n
		}
	}
	if total > int64(len(c.p)) {
		c.bad = true
		return
	}
	s.bodies = c.take(int(total))
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

// fill decodes the next entries of the shape.
func (s *shapeReader) fill(other bool) bool {
	m := min(s.count-s.given, groupLen)
	s.given += m
	s.n, s.next = m, 0
	s.boot.read(s.boots[:m])
	s.offset.read(s.offsets[:m])
	if other {
		s.lengths.read(s.sizes[:m])
		return true
	}
	if s.fresh {
		s.fresh = false
		if !s.fillShared(m) {
			return false
		}
	}
	return s.fillColumns(m)
}

// fillShared writes the values that all entries of the block share into every slot
// once; fillColumns overwrites what has columns.
func (s *shapeReader) fillShared(m int) bool {
	if cap(s.raw) < m*s.raws {
		s.raw = make([]Raw, m*s.raws)
	}
	s.raw = s.raw[:m*s.raws]
	has, faults, age := s.shared[fieldHas], s.shared[fieldFaults], s.shared[fieldAge]
	if has&^int64(knownFields) != 0 || int64(uint32(faults)) != faults || int64(int32(age)) != age {
		return false
	}
	v := Raw{
		Has: Fields(has), Faults: Faults(faults), AgeUS: int32(age),
		Code: s.shared[fieldCode], Cold: s.shared[fieldCold], Chip: s.shared[fieldChip],
	}
	for i := range s.raw {
		s.raw[i] = v
	}
	if cap(s.lacks) < s.raws {
		s.lacks, s.dropped = make([]Fields, s.raws), make([]bool, s.raws)
	}
	s.lacks, s.dropped = s.lacks[:s.raws], s.dropped[:s.raws]
	for ch := range s.lacks {
		s.lacks[ch], s.dropped[ch] = knownFields&^v.Has, false
	}
	return true
}

func dropAbsent(r *Raw) {
	if r.Has&HasCode == 0 {
		r.Code = 0
	}
	if r.Has&HasCold == 0 {
		r.Cold = 0
	}
	if r.Has&HasChip == 0 {
		r.Chip = 0
	}
}

func (s *shapeReader) fillColumns(m int) bool {
	if s.raws == 0 {
		return true
	}
	raw := s.raw[:m*s.raws]
	for f := range s.fields {
		for ch := range s.fields[f] {
			if !s.fillColumn(raw, f, ch, m) {
				return false
			}
		}
	}
	for ch := range s.raws {
		if s.dropped[ch] || s.carries(ch) {
			s.dropCodes(raw, ch)
		}
	}
	return true
}

// carries tells whether a channel holds a code that some entry does not have.
func (s *shapeReader) carries(ch int) bool {
	l := s.lacks[ch]
	return l&HasCode != 0 && (len(s.fields[fieldCode]) > 0 || s.shared[fieldCode] != 0) ||
		l&HasCold != 0 && (len(s.fields[fieldCold]) > 0 || s.shared[fieldCold] != 0) ||
		l&HasChip != 0 && (len(s.fields[fieldChip]) > 0 || s.shared[fieldChip] != 0)
}

// dropCodes takes away a channel's stand-ins of codes that are not there, and puts
// back what all share where the piece before had it taken away.
func (s *shapeReader) dropCodes(raw []Raw, ch int) {
	for i := ch; i < len(raw); i += s.raws {
		r := &raw[i]
		if len(s.fields[fieldCode]) == 0 {
			r.Code = s.shared[fieldCode]
		}
		if len(s.fields[fieldCold]) == 0 {
			r.Cold = s.shared[fieldCold]
		}
		if len(s.fields[fieldChip]) == 0 {
			r.Chip = s.shared[fieldChip]
		}
		dropAbsent(r)
	}
	for f := fieldCode; f < rawFields; f++ { // the slots no longer hold what the column says
		if len(s.fields[f]) > 0 {
			s.fields[f][ch].holds = false
		}
	}
	s.dropped[ch] = s.lacks[ch] != 0
}

func (s *shapeReader) fillColumn(raw []Raw, f, ch, m int) bool {
	col := &s.fields[f][ch]
	var scratch [groupLen]int64
	v := scratch[:m]
	if x, same := col.constant(m); same {
		if col.holds && col.held == x {
			return true
		}
		for i := range v {
			v[i] = x
		}
		col.held, col.holds = x, m == len(s.raw)/s.raws
	} else {
		col.read(v)
		col.holds = false
	}
	n := s.raws
	switch f {
	case fieldCode:
		for i, x := range v {
			raw[i*n+ch].Code = x
		}
	case fieldCold:
		for i, x := range v {
			raw[i*n+ch].Cold = x
		}
	case fieldChip:
		for i, x := range v {
			raw[i*n+ch].Chip = x
		}
	case fieldAge:
		for i, x := range v {
			if int64(int32(x)) != x {
				return false
			}
			raw[i*n+ch].AgeUS = int32(x)
		}
	case fieldFaults:
		for i, x := range v {
			if int64(uint32(x)) != x {
				return false
			}
			raw[i*n+ch].Faults = Faults(x)
		}
	case fieldHas:
		var lacks Fields
		for i, x := range v {
			if x&^int64(knownFields) != 0 {
				return false
			}
			raw[i*n+ch].Has = Fields(x)
			lacks |= knownFields &^ Fields(x)
		}
		s.lacks[ch] = lacks
	}
	return true
}

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
