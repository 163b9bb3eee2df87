package journal

import (
	"encoding/binary"

	"soakrig/daemon/record"
)

// stampBytes is the length of a stamp in the ring: boot id, BootNS, WallNS, synced.
const stampBytes = 16 + 8 + 8 + 1

func putStamp(p []byte, at *record.Stamp) {
	copy(p, at.Boot[:])
	binary.LittleEndian.PutUint64(p[16:], uint64(at.BootNS))
	binary.LittleEndian.PutUint64(p[24:], uint64(at.WallNS))
	p[32] = 0
	if at.Synced {
		p[32] = 1
	}
}

func takeStamp(p []byte) (at record.Stamp) {
	copy(at.Boot[:], p)
	at.BootNS = int64(binary.LittleEndian.Uint64(p[16:]))
	at.WallNS = int64(binary.LittleEndian.Uint64(p[24:]))
	at.Synced = p[32] != 0
	return at
}

// chunk is a run of consecutive entries in memory. It only ever grows, within its
// capacity, so that what has been seen under the journal's lock can be read after
// the lock is gone.
type chunk struct {
	first uint64
	buf   []byte   // stamp and body of each entry
	ends  []uint32 // end of each entry in buf
}

func (c *chunk) entry(i int) (stamp, body []byte) {
	start := uint32(0)
	if i > 0 {
		start = c.ends[i-1]
	}
	p := c.buf[start:c.ends[i]]
	return p[:stampBytes], p[stampBytes:]
}

// view is what a reader may look at without the lock.
func (c *chunk) view() chunk {
	return chunk{first: c.first, buf: c.buf[:len(c.buf):len(c.buf)], ends: c.ends[:len(c.ends):len(c.ends)]}
}

func (c *chunk) size() int { return cap(c.buf) + 4*cap(c.ends) }

// ring holds the newest entries, bounded by bytes: what is durable up to calmRing, for
// readers near the head, and what is not up to limit, for as long as the disk takes no
// commits. Its entries are consecutive. The journal's lock guards it.
type ring struct {
	limit     int
	chunkSize int
	bytes     int
	chunks    []*chunk
}

const (
	largestChunk  = 64 << 10
	smallestChunk = 2 << 10
	calmRing      = 1 << 20 // two minutes of 64 channels at 10 Hz
)

func newRing(limit int) ring {
	return ring{limit: limit, chunkSize: min(max(limit/16, smallestChunk), largestChunk)}
}

// first is the oldest number in the ring; 0 when it is empty.
func (r *ring) first() uint64 {
	if len(r.chunks) == 0 {
		return 0
	}
	return r.chunks[0].first
}

// add appends an entry with the number seq, which is one more than the last, and
// drops the oldest chunks beyond the limit. What is durable up to is told by durable.
func (r *ring) add(seq uint64, at *record.Stamp, body []byte, durable uint64) {
	size := stampBytes + len(body)
	var c *chunk
	if n := len(r.chunks); n > 0 {
		c = r.chunks[n-1]
	}
	if c == nil || cap(c.buf)-len(c.buf) < size || len(c.ends) == cap(c.ends) {
		c = &chunk{
			first: seq,
			buf:   make([]byte, 0, max(r.chunkSize, size)),
			ends:  make([]uint32, 0, r.chunkSize/(stampBytes+8)),
		}
		r.chunks = append(r.chunks, c)
		r.bytes += c.size()
		r.trim(durable)
	}
	n := len(c.buf)
	c.buf = c.buf[:n+size]
	putStamp(c.buf[n:], at)
	copy(c.buf[n+stampBytes:], body)
	c.ends = append(c.ends, uint32(len(c.buf)))
}

func (r *ring) trim(durable uint64) {
	drop := 0
	for drop < len(r.chunks)-1 {
		stored := r.chunks[drop+1].first-1 <= durable
		if r.bytes <= min(r.limit, calmRing) || r.bytes <= r.limit && !stored {
			break
		}
		r.bytes -= r.chunks[drop].size()
		drop++
	}
	if drop > 0 {
		kept := copy(r.chunks, r.chunks[drop:])
		clear(r.chunks[kept:])
		r.chunks = r.chunks[:kept]
	}
}

// at gives the chunk that holds seq, which must be in the ring.
func (r *ring) at(seq uint64) chunk {
	lo, hi := 0, len(r.chunks)
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if r.chunks[mid].first <= seq {
			lo = mid
		} else {
			hi = mid
		}
	}
	return r.chunks[lo].view()
}
