package journal

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"soakrig/daemon/record"
)

// A sealed block takes at most this much: what a reader unpacks at once. Packing and
// unpacking hold 40 bytes for each reading, so readings bound the memory of both.
const (
	blockEntries  = 8192
	blockReadings = 32768 // channels of samples
)

// sealing packs live rows into blocks in the background. The commit goroutine
// writes what is ready with its next commit, so that sealing costs no flush of its
// own at ordinary rates: first the blocks; then, once they have been read back and
// compared entry by entry, it deletes the live rows.
type sealing struct {
	stage  sealStage
	result chan sealResult // one answer of the worker
	blocks []sealBlock
	upTo   uint64 // last number that is sealed
	rows   int    // live rows it replaces
	count  int    // entries
}

type sealStage int

const (
	sealPacking   sealStage = iota // worker reads live rows
	sealPacked                     // blocks wait to be written
	sealVerifying                  // worker reads the blocks back
	sealVerified                   // live rows wait to be deleted
	sealRejected                   // blocks wait to be deleted
)

type sealResult struct {
	blocks []sealBlock
	lost   []record.Gap
	rows   int
	err    error
}

// sealBlock is one packed block and the digest of the entries that went into it.
type sealBlock struct {
	first, last uint64
	t0, t1      int64 // wall time of the first and last entry, for people
	d           []byte
	digest      [sha256.Size]byte
}

// sealDue takes the worker's answer, if there is one, and tells whether the next
// commit has something to write for the seal.
func (j *Journal) sealDue() bool {
	s := j.seal
	if s == nil {
		return false
	}
	if s.stage == sealPacking || s.stage == sealVerifying {
		select {
		case r := <-s.result:
			j.sealAnswer(s, r)
		default:
			return false
		}
	}
	return j.seal != nil
}

func (j *Journal) sealAnswer(s *sealing, r sealResult) {
	switch {
	case s.stage == sealPacking && r.err != nil:
		j.log.Error("journal: pack live rows", "error", r.err)
		j.seal = nil
		if troubleOf(r.err) == troubleCorrupt {
			j.failed(r.err)
		}
	case s.stage == sealPacking:
		for _, g := range r.lost {
			j.loss(g)
		}
		s.blocks, s.rows, s.stage = r.blocks, r.rows, sealPacked
		j.opts.tune.spoil(s.blocks)
	case r.err != nil:
		j.log.Error("journal: sealed blocks differ from what was packed", "error", r.err)
		j.event("failed", "sealed blocks differ from what was packed, the live rows are kept: "+r.err.Error())
		s.stage = sealRejected
	default:
		s.stage = sealVerified
	}
}

// writeSeal writes what the seal has ready, inside a commit.
func (j *Journal) writeSeal(ctx context.Context) error {
	if !j.sealDue() {
		return nil
	}
	switch j.seal.stage {
	case sealPacked:
		return j.w.insertBlocks(ctx, j.seal.blocks)
	case sealVerified:
		_, err := j.w.deleteLive.ExecContext(ctx, int64(j.seal.upTo))
		return err
	case sealRejected:
		return j.w.deleteBlocks(ctx, j.seal.blocks)
	}
	return nil
}

func (w *writer) insertBlocks(ctx context.Context, blocks []sealBlock) error {
	for _, b := range blocks {
		crc := binary.LittleEndian.Uint32(b.d[len(b.d)-4:])
		_, err := w.insertBlk.ExecContext(ctx, int64(b.first), int64(b.last-b.first+1), b.t0, b.t1, int64(crc), b.d)
		if err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) deleteBlocks(ctx context.Context, blocks []sealBlock) error {
	for _, b := range blocks {
		if _, err := w.conn.ExecContext(ctx, "DELETE FROM blk WHERE seq = ?", int64(b.first)); err != nil {
			return err
		}
	}
	return nil
}

// sealed moves the seal on after a commit, or starts one.
func (j *Journal) sealed() {
	s := j.seal
	switch {
	case s == nil:
		j.startSeal()
	case s.stage == sealPacked:
		s.stage = sealVerifying
		f, blocks := j.w.file, s.blocks
		j.background(func() sealResult { return sealResult{err: f.verify(j.ctx, blocks)} })
	case s.stage == sealVerified:
		j.w.live -= s.rows
		j.w.liveCount -= s.count
		j.w.rejected = 0
		j.seal = nil
		j.startSeal()
	case s.stage == sealRejected:
		j.w.rejected = min(j.w.rejected+1, 8)
		j.seal = nil
	}
}

func (j *Journal) startSeal() {
	t := &j.opts.tune
	if j.w.full { // the end of the file comes first; finishing it seals the rest
		return
	}
	if j.w.live < t.sealRows<<j.w.rejected && j.w.liveCount < t.sealEntries<<j.w.rejected {
		return
	}
	f, upTo := j.w.file, j.stored
	j.seal = &sealing{upTo: upTo, count: j.w.liveCount, rows: j.w.live, result: make(chan sealResult, 1)}
	j.background(func() sealResult { return f.pack(j.ctx, upTo) })
}

// background runs one step of the seal and asks for a commit when it is done.
func (j *Journal) background(step func() sealResult) {
	result := j.seal.result
	j.workers.Go(func() {
		result <- step()
		j.Commit()
	})
}

// dropSeal forgets a seal at the end; what it left is put right at the next start.
func (j *Journal) dropSeal() { j.seal = nil }

// pack reads the live rows up to a number and packs them into blocks.
func (f *sampleFile) pack(ctx context.Context, upTo uint64) (out sealResult) {
	p := blockPacker{}
	next := uint64(0)
	for seq := f.first; seq <= upTo; {
		rows, err := f.liveFrom(ctx, seq, upTo)
		if err != nil {
			return sealResult{err: err}
		}
		if len(rows) == 0 {
			break
		}
		for _, r := range rows {
			out.rows++
			seq = r.last + 1
			if next != 0 && r.first > next {
				out.lost = append(out.lost, record.Gap{From: next, To: r.first - 1, Cause: CauseDamaged, Text: "rows of " + f.path + " do not match their checksum"})
			}
			next = r.last + 1
			if err := p.add(r); err != nil {
				return sealResult{err: err}
			}
		}
	}
	p.flush()
	out.blocks = p.out
	// Ranges that are missing because they were never stored are known already.
	if f.damagedRows() == 0 {
		out.lost = nil
	}
	return out
}

// liveFrom gives the next live rows that can be read.
func (f *sampleFile) liveFrom(ctx context.Context, seq, upTo uint64) ([]piece, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return nil, err
	}
	rows, err := db.QueryContext(ctx, "SELECT seq, d FROM live WHERE seq >= ? AND seq <= ? ORDER BY seq", int64(seq), int64(upTo))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []piece
	for len(out) < livePieces && rows.Next() {
		var row int64
		var p piece
		if err := rows.Scan(&row, &p.d); err != nil {
			return nil, err
		}
		if p.first, p.last, err = record.CheckBlock(p.d); err != nil || p.first != uint64(row) {
			f.damaged("live", row)
			continue
		}
		out = append(out, p)
	}
	return out, rows.Err()
}

// verify reads blocks back from the file and compares every entry with what was
// packed.
func (f *sampleFile) verify(ctx context.Context, blocks []sealBlock) error {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return err
	}
	return verifyIn(ctx, db, blocks)
}

func verifyIn(ctx context.Context, db querier, blocks []sealBlock) error {
	var r record.BlockReader
	var digest entryDigest
	var d, body []byte
	for _, b := range blocks {
		if err := db.QueryRowContext(ctx, "SELECT d FROM blk WHERE seq = ?", int64(b.first)).Scan(&d); err != nil {
			return fmt.Errorf("read back block %d: %w", b.first, err)
		}
		if err := r.Reset(d); err != nil {
			return fmt.Errorf("read back block %d: %w", b.first, err)
		}
		digest.reset()
		for r.Scan() {
			var err error
			if body, err = encodedOf(&r, body[:0]); err != nil {
				return err
			}
			digest.add(r.Seq(), r.Stamp(), body)
		}
		if r.Err() != nil {
			return fmt.Errorf("read back block %d: %w", b.first, r.Err())
		}
		if digest.sum() != b.digest {
			return fmt.Errorf("read back block %d: entries differ", b.first)
		}
	}
	return nil
}
