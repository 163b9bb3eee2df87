package journal

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"

	"soakrig/daemon/record"
)

// blockPacker makes blocks of consecutive entries.
type blockPacker struct {
	r      record.BlockReader
	w      record.BlockWriter
	digest entryDigest
	body   []byte
	cur    sealBlock
	count  int // readings in cur
	out    []sealBlock
}

func (p *blockPacker) add(piece piece) error {
	if err := p.r.Reset(piece.d); err != nil {
		return fmt.Errorf("row %d: %w", piece.first, err)
	}
	for p.r.Scan() {
		body, err := encodedOf(&p.r, p.body[:0])
		if err != nil {
			return err
		}
		p.body = body[:0]
		seq, at, readings := p.r.Seq(), p.r.Stamp(), 0
		if s := p.r.Sample(); s != nil {
			readings = len(s.Raw)
		}
		if p.w.Len() >= blockEntries || p.count+readings > blockReadings && p.w.Len() > 0 || p.w.Len() > 0 && seq != p.cur.last+1 {
			p.flush()
		}
		if p.w.Len() == 0 {
			p.begin(seq, at)
		}
		ok, err := p.w.Add(at, body)
		if err == nil && !ok {
			p.flush()
			p.begin(seq, at)
			_, err = p.w.Add(at, body)
		}
		if err != nil {
			return err
		}
		p.digest.add(seq, at, body)
		p.cur.last, p.cur.t1 = seq, at.WallNS
		p.count += readings
	}
	return p.r.Err()
}

func (p *blockPacker) begin(seq uint64, at record.Stamp) {
	p.w.Reset(seq)
	p.cur, p.count = sealBlock{first: seq, t0: at.WallNS}, 0
	p.digest.reset()
}

func (p *blockPacker) flush() {
	if p.w.Len() == 0 {
		return
	}
	p.cur.d = p.w.Append(nil)
	p.cur.digest = p.digest.sum()
	p.out = append(p.out, p.cur)
	p.w.Reset(0)
}

// encodedOf is the encoded body of the entry that r stands at.
func encodedOf(r *record.BlockReader, dst []byte) ([]byte, error) {
	if s := r.Sample(); s != nil {
		return record.AppendBody(dst, s)
	}
	return append(dst, r.Encoded()...), nil
}

// entryDigest sums entries up for comparison. It keeps what it hands to the hash, which
// would else cost an allocation for each entry.
type entryDigest struct {
	hash hash.Hash
	head [8 + stampBytes]byte
	out  [sha256.Size]byte
}

// reset begins anew; it comes first.
func (d *entryDigest) reset() {
	if d.hash == nil {
		d.hash = sha256.New()
	}
	d.hash.Reset()
}

func (d *entryDigest) add(seq uint64, at record.Stamp, body []byte) {
	binary.LittleEndian.PutUint64(d.head[:], seq)
	putStamp(d.head[8:], &at)
	d.hash.Write(d.head[:])
	d.hash.Write(body)
}

func (d *entryDigest) sum() [sha256.Size]byte {
	d.hash.Sum(d.out[:0])
	return d.out
}
