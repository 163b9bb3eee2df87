package record

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
