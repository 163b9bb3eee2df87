package journal

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"soakrig/daemon/record"
)

// Reader reads a journal from some number on, at its own pace: from memory near
// the head, from disk behind. One goroutine at a time, except Close.
type Reader struct {
	j      *Journal
	seq    uint64 // number of the next entry
	wake   chan struct{}
	closed chan struct{}

	mem   chunk // entries from memory
	memAt int

	pieces []piece // blocks from disk not yet opened
	buf    []byte  // of the sealed block read last, for the next one
	block  record.BlockReader
	inside bool // block has entries left

	sample record.Sample
}

// NewReader gives a reader that starts at the number from; 0 means the oldest.
// A number that was not given yet is waited for.
func (j *Journal) NewReader(from uint64) *Reader {
	if from == 0 {
		from = j.State().Oldest
		if from == 0 {
			from = 1
		}
	}
	return &Reader{j: j, seq: from, wake: make(chan struct{}, 1), closed: make(chan struct{})}
}

// Seq is the number of the next entry.
func (r *Reader) Seq() uint64 { return r.seq }

// Close makes a waiting and every later Next return ErrClosed. It may be called
// from any goroutine, once.
func (r *Reader) Close() { close(r.closed) }

// Next gives the next entry, and waits for one at the head. The entry and its
// sample are valid until the next call. A *GapError tells numbers that are
// missing; the reader then stands behind them. Entries of a type that this build
// does not know come with an *record.Unknown. Other errors: the context's,
// ErrClosed, or a failure to read that calling again may not repeat.
func (r *Reader) Next(ctx context.Context) (e record.Entry, err error) {
	for {
		if r.inside && r.block.Scan() { // the usual case of a replay
			seq := r.block.Seq()
			if seq < r.seq {
				continue
			}
			r.seq = seq + 1
			e.Seq, e.At = seq, r.block.Stamp()
			if s := r.block.Sample(); s != nil {
				e.Body = s
				return e, nil
			}
			return e, r.decode(&e, r.block.Encoded())
		}
		if r.memAt < len(r.mem.ends) {
			return r.fromMemory()
		}
		if r.inside || len(r.pieces) > 0 {
			if err := r.nextBlock(); err != nil {
				return e, err
			}
			continue
		}
		wait, err := r.refill(ctx)
		if err != nil {
			return e, err
		}
		if !wait {
			continue
		}
		select {
		case <-r.wake:
		case <-ctx.Done():
			r.forget()
			return e, ctx.Err()
		case <-r.closed:
			r.forget()
			return e, ErrClosed
		}
	}
}

// forget takes the reader out of the list of those who wait.
func (r *Reader) forget() {
	r.j.mu.Lock()
	defer r.j.mu.Unlock()
	r.j.waiting = slices.DeleteFunc(r.j.waiting, func(w chan struct{}) bool { return w == r.wake })
}

// Buffered tells whether Next would return without waiting for a new entry.
func (r *Reader) Buffered() bool {
	if r.memAt < len(r.mem.ends) || r.inside || len(r.pieces) > 0 {
		return true
	}
	r.j.mu.Lock()
	defer r.j.mu.Unlock()
	return r.seq <= r.j.head || r.j.closed
}

func (r *Reader) fromMemory() (record.Entry, error) {
	stamp, body := r.mem.entry(r.memAt)
	e := record.Entry{Seq: r.seq, At: takeStamp(stamp)}
	r.memAt++
	r.seq++
	if record.IsSample(body) {
		if err := record.DecodeSample(body, &r.sample); err != nil {
			return e, err
		}
		e.Body = &r.sample
		return e, nil
	}
	return e, r.decode(&e, body)
}

func (r *Reader) decode(e *record.Entry, body []byte) (err error) {
	if e.Body, err = record.DecodeBody(body); err != nil {
		return &GapError{record.Gap{From: e.Seq, To: e.Seq, Cause: CauseDamaged, Text: err.Error()}}
	}
	if _, unknown := e.Body.(*record.Unknown); unknown {
		r.j.unknown.Add(1)
	}
	return nil
}

// nextBlock leaves the block that has been read and opens the next one.
func (r *Reader) nextBlock() error {
	if r.inside {
		r.inside = false
		if err := r.block.Err(); err != nil {
			last := r.block.First() + uint64(r.block.Len()) - 1
			return r.gapOf(record.Gap{From: r.seq, To: last, Cause: CauseDamaged, Text: err.Error()})
		}
		return nil
	}
	p := r.pieces[0]
	if p.first > r.seq {
		return r.gap(p.first - 1)
	}
	r.pieces = r.pieces[1:]
	if p.last < r.seq {
		return nil
	}
	if err := r.block.Reset(p.d); err != nil {
		return r.gapOf(record.Gap{From: r.seq, To: p.last, Cause: CauseDamaged, Text: err.Error()})
	}
	r.inside = true
	return nil
}

// gap reports that seq..to is missing and moves behind it.
func (r *Reader) gap(to uint64) error {
	g := r.j.gapAt(r.seq)
	g.From = r.seq
	if g.To < g.From || g.To > to {
		g.To = to
	}
	return r.gapOf(g)
}

func (r *Reader) gapOf(g record.Gap) error {
	r.seq = g.To + 1
	return &GapError{g}
}

// gapAt is what is known about a missing number: To is the last number of the
// same cause.
func (j *Journal) gapAt(seq uint64) record.Gap {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, g := range j.lost {
		if g.From <= seq && seq <= g.To {
			return g
		}
	}
	first := j.ring.first()
	switch {
	case j.oldest != 0 && seq < j.oldest:
		return record.Gap{To: j.oldest - 1, Cause: CauseRetention, Text: "retired by age or size"}
	case first != 0 && seq < first && seq > j.durable.Load():
		return record.Gap{To: first - 1, Cause: CauseNotStored, Text: notStoredText}
	}
	return record.Gap{Cause: CauseDamaged, Text: "not found in the journal's files"}
}

// refill fetches entries from memory or disk. wait tells that there are none yet.
func (r *Reader) refill(ctx context.Context) (wait bool, err error) {
	select {
	case <-r.closed:
		return false, ErrClosed
	default:
	}
	j := r.j
	j.mu.Lock()
	first := j.ring.first()
	switch {
	case r.seq > j.head:
		if j.closed {
			j.mu.Unlock()
			return false, ErrClosed
		}
		select {
		case <-r.wake: // left over from an earlier wait
		default:
		}
		j.waiting = append(j.waiting, r.wake)
		j.mu.Unlock()
		return true, nil
	case first != 0 && r.seq >= first:
		r.mem = j.ring.at(r.seq)
		r.memAt = int(r.seq - r.mem.first)
		j.mu.Unlock()
		return false, nil
	}
	// Behind the ring. What the disk does not have up to here is missing.
	upTo := j.head
	if first != 0 {
		upTo = first - 1
	}
	j.mu.Unlock()
	r.mem, r.memAt = chunk{}, 0
	r.pieces, err = j.find(ctx, r.seq, r.buf)
	if err != nil {
		return false, err
	}
	if len(r.pieces) == 1 {
		r.buf = r.pieces[0].d
	}
	if len(r.pieces) == 0 || r.pieces[0].first > upTo {
		r.pieces = nil
		return false, r.gap(upTo)
	}
	return false, nil
}

// find looks through the files for the block that holds seq, or the next one; buf
// is room that it may use.
func (j *Journal) find(ctx context.Context, seq uint64, buf []byte) ([]piece, error) {
	for {
		f, again := j.fileFor(seq)
		if f == nil {
			return nil, nil
		}
		p, err := f.find(ctx, seq, buf)
		switch {
		case errors.Is(err, errGone):
			select {
			case <-j.stop:
				return nil, ErrClosed
			default:
			}
			continue // retired or set aside meanwhile: look again
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err != nil && again == 0:
			return nil, fmt.Errorf("read journal file %s: %w", f.path, err)
		case err != nil && damage(err) && j.replaceNow(ctx, f, err):
			continue
		case err != nil:
			j.log.Error("journal: read file", "file", f.path, "error", err)
		case len(p) > 0:
			return p, nil
		}
		if again == 0 {
			return nil, nil
		}
		seq = max(seq, again)
	}
}

// fileFor is the file that would hold seq, and the first number of the one behind
// it, 0 if there is none.
func (j *Journal) fileFor(seq uint64) (f *sampleFile, next uint64) {
	j.filesMu.Lock()
	defer j.filesMu.Unlock()
	for i := len(j.files) - 1; i >= 0; i-- {
		if j.files[i].first <= seq || i == 0 {
			if i+1 < len(j.files) {
				next = j.files[i+1].first
			}
			return j.files[i], next
		}
	}
	return nil, 0
}
