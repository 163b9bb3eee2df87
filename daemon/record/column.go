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
// A group is up to groupLen zigzag numbers: one byte with their width in bits,
// then the numbers packed from the lowest bit up, padded to a byte. Sums wrap at
// 64 bits, so every list can be stored.
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
		return appendGroups(dst, v)
	}
	dst = binary.AppendVarint(append(dst, columnStep), first)
	dst = binary.AppendVarint(dst, v[0])
	for i := len(v) - 1; i > 0; i-- {
		v[i] -= v[i-1]
	}
	return appendGroups(dst, v[1:])
}

func appendGroups(dst []byte, v []int64) []byte {
	for len(v) > 0 {
		g := v[:min(len(v), groupLen)]
		v = v[len(g):]
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

// column reads a column in pieces of up to groupLen values.
type column struct {
	mode  byte
	p     []byte // groups not yet read
	last  int64  // value before the next
	delta int64
	lead  int // values that stand outside the groups and are still to be given: 2, 1, 0
	first int64
	left  int // values not yet given
	buf   [groupLen]int64
	n, at int // valid in buf, next in buf
}

// open takes a column of n values from the front of c.
func (k *column) open(c *cursor, n int) {
	k.mode, k.left, k.n, k.at, k.p, k.lead = columnConstant, n, 0, 0, nil, 0
	k.last, k.delta = 0, 0
	if n == 0 {
		return
	}
	k.mode = c.byte()
	k.last = c.varint()
	k.first = k.last
	packed := n - 1
	switch k.mode {
	case columnConstant:
		return
	case columnDelta:
		k.lead = 1
	case columnStep:
		k.delta = c.varint()
		k.lead = 2
		packed = n - 2
	default:
		c.bad = true
	}
	if packed < 0 {
		c.bad = true
	}
	start := c.p
	for packed > 0 && !c.bad {
		g := min(packed, groupLen)
		width := int(c.byte())
		if width > 64 {
			c.bad = true
		}
		c.take(groupBytes(g, width))
		packed -= g
	}
	k.p = start[:len(start)-len(c.p)]
}

// read fills out with the next values. open has checked that there are enough bytes.
func (k *column) read(out []int64) {
	k.left -= len(out)
	if k.mode == columnConstant {
		for i := range out {
			out[i] = k.last
		}
		return
	}
	for len(out) > 0 && k.lead > 0 {
		out[0] = k.first
		k.lead--
		if k.lead > 0 { // second order: its second value
			k.last = k.first + k.delta
			k.first = k.last
		}
		out = out[1:]
	}
	for len(out) > 0 {
		if k.at == k.n {
			k.fill(len(out))
		}
		m := copy(out, k.buf[k.at:k.n])
		k.at += m
		out = out[m:]
	}
}

// fill reads one group into buf. want is how many values are asked for; the group
// is as long as what is left of the column, at most groupLen.
func (k *column) fill(want int) {
	n := min(k.left+want, groupLen)
	width := int(k.p[0])
	size := groupBytes(n, width)
	unpackBits(k.buf[:n], k.p[1:1+size], width)
	k.p = k.p[1+size:]
	last, delta := k.last, k.delta
	if k.mode == columnDelta {
		for i, d := range k.buf[:n] {
			last += d
			k.buf[i] = last
		}
	} else {
		for i, s := range k.buf[:n] {
			delta += s
			last += delta
			k.buf[i] = last
		}
	}
	k.last, k.delta = last, delta
	k.n, k.at = n, 0
}

// unpackBits reads len(out) zigzag numbers of width bits.
func unpackBits(out []int64, p []byte, width int) {
	if width == 0 {
		clear(out)
		return
	}
	var padded [groupLen*8 + 16]byte
	copy(padded[:], p)
	bit := 0
	if width <= 57 { // one load holds any of them
		mask := uint64(1)<<width - 1
		for i := range out {
			u := binary.LittleEndian.Uint64(padded[bit>>3:]) >> (bit & 7) & mask
			out[i] = unzigzag(u)
			bit += width
		}
		return
	}
	for i := range out {
		at, shift := bit>>3, bit&7
		u := binary.LittleEndian.Uint64(padded[at:]) >> shift
		if shift > 0 {
			u |= uint64(padded[at+8]) << (64 - shift)
		}
		if width < 64 {
			u &= uint64(1)<<width - 1
		}
		out[i] = unzigzag(u)
		bit += width
	}
}
