package record

import (
	"encoding/binary"
	"math/bits"
)

// A column is a list of integers whose length the block knows from elsewhere:
//
//	0  svarint v                         every value is v
//	1  svarint v0, then groups           value = the one before + delta
//	2  svarint v0, svarint d0, groups    delta = the one before + step
//
// The values form pieces of groupLen; each piece has one group, which for the first
// piece leaves out the values that stand in front. A group is a byte with the width
// of its zigzag numbers in bits, then the numbers packed from the lowest bit up,
// padded to a byte. Sums wrap at 64 bits, so every list can be stored.
const (
	columnConstant = 0
	columnDelta    = 1
	columnStep     = 2
)

const groupLen = 128

// appendColumn appends v, which is overwritten. regular asks for the second order,
// which suits times.
func appendColumn(dst []byte, v []int64, regular bool) []byte {
	if len(v) == 0 {
		return dst
	}
	constant := true
	for _, x := range v[1:] {
		if x != v[0] {
			constant = false
			break
		}
	}
	if constant {
		return binary.AppendVarint(append(dst, columnConstant), v[0])
	}
	first := v[0]
	for i := len(v) - 1; i > 0; i-- {
		v[i] -= v[i-1]
	}
	v = v[1:]
	if !regular {
		dst = binary.AppendVarint(append(dst, columnDelta), first)
		return appendGroups(dst, v, groupLen-1)
	}
	dst = binary.AppendVarint(append(dst, columnStep), first)
	dst = binary.AppendVarint(dst, v[0])
	for i := len(v) - 1; i > 0; i-- {
		v[i] -= v[i-1]
	}
	return appendGroups(dst, v[1:], groupLen-2)
}

func appendGroups(dst []byte, v []int64, size int) []byte {
	for len(v) > 0 {
		g := v[:min(len(v), size)]
		v = v[len(g):]
		size = groupLen
		var all uint64
		for _, x := range g {
			all |= zigzag(x)
		}
		width := bits.Len64(all)
		dst = append(dst, byte(width))
		dst = packBits(dst, g, width)
	}
	return dst
}

func packBits(dst []byte, g []int64, width int) []byte {
	var acc uint64
	have := 0
	for _, x := range g {
		z := zigzag(x)
		acc |= z << have
		if have+width < 64 {
			have += width
			continue
		}
		dst = binary.LittleEndian.AppendUint64(dst, acc)
		acc = 0
		if have > 0 {
			acc = z >> (64 - have)
		}
		have += width - 64
	}
	for ; have > 0; have -= 8 {
		dst = append(dst, byte(acc))
		acc >>= 8
	}
	return dst
}

func groupBytes(n, width int) int { return (n*width + 7) / 8 }

// column reads a column piece by piece.
type column struct {
	mode  byte
	lead  int8   // values in front of the groups that are still to be given
	p     []byte // from the next group on
	last  int64  // value before the next; in front, the next
	delta int64
}

// open takes a column of n values from the front of c and checks that it is whole.
func (k *column) open(c *cursor, n int) {
	*k = column{}
	if n == 0 {
		return
	}
	k.mode = c.byte()
	k.last = c.varint()
	switch k.mode {
	case columnConstant:
		return
	case columnDelta:
		k.lead = 1
	case columnStep:
		k.delta = c.varint()
		k.lead = 2
	default:
		c.bad = true
	}
	k.p = c.p
	size := groupLen - int(k.lead)
	for packed := n - int(k.lead); packed != 0; size = groupLen {
		if packed < 0 || c.bad {
			c.bad = true
			return
		}
		g := min(packed, size)
		width := int(c.byte())
		if width > 64 {
			c.bad = true
		}
		c.take(groupBytes(g, width))
		packed -= g
	}
}

// constant tells whether all values of the next piece of n are the same, and takes
// the piece if they are.
func (k *column) constant(n int) (v int64, ok bool) {
	if k.mode == columnConstant {
		return k.last, true
	}
	if k.mode != columnDelta || n > int(k.lead) && k.p[0] != 0 {
		return 0, false
	}
	if n > int(k.lead) {
		k.p = k.p[1:]
	}
	k.lead = 0
	return k.last, true
}

// read fills out with the next piece: groupLen values, or what is left.
func (k *column) read(out []int64) {
	if k.mode == columnConstant {
		for i := range out {
			out[i] = k.last
		}
		return
	}
	for ; k.lead > 0; k.lead-- {
		if k.mode == columnStep && k.lead == 1 {
			k.last += k.delta
		}
		out[0] = k.last
		out = out[1:]
	}
	if len(out) == 0 {
		return
	}
	width := int(k.p[0])
	k.p = k.p[1:]
	if k.mode == columnDelta && width <= 57 && len(k.p) >= groupBytes(len(out), width)+8 {
		k.last = sumBits(out, k.p, width, k.last)
		k.p = k.p[groupBytes(len(out), width):]
		return
	}
	unpackBits(out, k.p, width)
	k.p = k.p[groupBytes(len(out), width):]
	last := k.last
	if k.mode == columnDelta {
		for i, d := range out {
			last += d
			out[i] = last
		}
	} else {
		delta := k.delta
		for i, s := range out {
			delta += s
			last += delta
			out[i] = last
		}
		k.delta = delta
	}
	k.last = last
}

// sumBits is unpackBits and the running sum in one, for the usual case: at most 57
// bits each, and 8 bytes behind the group.
func sumBits(out []int64, p []byte, width int, last int64) int64 {
	mask := uint64(1)<<width - 1
	bit := 0
	for i := range out {
		u := binary.LittleEndian.Uint64(p[bit>>3:]) >> (bit & 7) & mask
		last += unzigzag(u)
		out[i] = last
		bit += width
	}
	return last
}

// unpackBits reads len(out) zigzag numbers of width bits from the front of p, which
// may go on behind them.
func unpackBits(out []int64, p []byte, width int) {
	if width == 0 {
		clear(out)
		return
	}
	size := groupBytes(len(out), width)
	if len(p) < size+9 { // a load would reach behind the end
		var padded [groupLen*8 + 9]byte
		copy(padded[:], p[:size])
		p = padded[:]
	}
	bit := 0
	if width <= 57 { // one load holds any of them
		mask := uint64(1)<<width - 1
		for i := range out {
			u := binary.LittleEndian.Uint64(p[bit>>3:]) >> (bit & 7) & mask
			out[i] = unzigzag(u)
			bit += width
		}
		return
	}
	for i := range out {
		at, shift := bit>>3, bit&7
		u := binary.LittleEndian.Uint64(p[at:]) >> shift
		if shift > 0 {
			u |= uint64(p[at+8]) << (64 - shift)
		}
		if width < 64 {
			u &= uint64(1)<<width - 1
		}
		out[i] = unzigzag(u)
		bit += width
	}
}
