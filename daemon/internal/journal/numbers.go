package journal

import (
	"context"
	"fmt"
	"slices"

	"soakrig/daemon/record"
)

// number decides from what number on entries are given, and makes that durable.
func (j *Journal) number(notes []record.Gap) error {
	last, err := j.lastStored()
	if err != nil {
		return err
	}
	ceiling, clean := j.ceiling(last)
	fresh := last == 0 && ceiling == 0
	j.durable.Store(last)
	j.head, j.next = last, max(last, ceiling)+1
	j.stored = j.next - 1
	if len(j.files) > 0 && last != 0 {
		j.oldest = j.files[0].first
	}
	if !fresh && j.next > last+1 {
		notes = append(notes, j.jump(last, clean)...)
	}
	if j.w == nil {
		if j.w, err = createFile(j.opts.Dir, j.id, j.next, j.next-1+j.opts.tune.reserve); err != nil {
			return err
		}
		j.files = append(j.files, j.w.file)
	}
	if err := j.unclean(j.next - 1 + j.opts.tune.reserve); err != nil {
		return err
	}
	for _, g := range notes {
		j.loss(g)
	}
	for _, f := range slices.Clone(j.files[:len(j.files)-1]) { // the workers may replace files
		if !f.finished {
			j.workers.Go(func() { j.finishLeft(f) })
		}
	}
	return nil
}

// jump tells what the numbers between the last entry and the next one were. What a
// journal that was closed held up to its end was stored, and is gone.
func (j *Journal) jump(last uint64, clean bool) []record.Gap {
	stored := record.Gap{From: last + 1, To: j.next - 1, Cause: CauseDamaged, Text: "stored before the journal was closed, and gone now"}
	streamed := record.Gap{From: last + 1, To: j.next - 1, Cause: CauseUncleanStop, Text: "numbers that may have been streamed before the journal stopped without being closed"}
	end, closed := j.records.metaSeq("clean")
	switch {
	case clean:
		return []record.Gap{stored}
	case !closed || end <= last:
		return []record.Gap{streamed}
	}
	stored.To = min(end, stored.To)
	streamed.From = stored.To + 1
	if streamed.From > streamed.To {
		return []record.Gap{stored}
	}
	return []record.Gap{stored, streamed}
}

// lastStored is the highest number on disk that can be read.
func (j *Journal) lastStored() (uint64, error) {
	for i := len(j.files) - 1; i >= 0; i-- {
		last, err := j.files[i].lastOf()
		if err != nil && !damage(err) {
			return 0, err
		}
		if last != 0 {
			return last, nil
		}
	}
	return 0, nil
}

// ceiling is the highest number that may have been given. clean tells that it is
// the last number of a journal that was closed.
func (j *Journal) ceiling(last uint64) (n uint64, clean bool) {
	r1, ok1 := j.records.metaSeq("reserved")
	c1, isClean := j.records.metaSeq("clean")
	known := (ok1 || isClean) && !j.staleNumbers
	n = max(r1, c1)
	if j.w != nil {
		r2, ok2 := j.w.metaSeq("reserved")
		c2, isClean2 := j.w.metaSeq("clean")
		if isClean && isClean2 && c1 == c2 {
			return c1, true
		}
		n = max(n, r2, c2)
		known = known || ok2 || isClean2
	}
	if !known && (last != 0 || len(j.files) > 0) {
		// Neither promise can be read: go past anything that could have been.
		n = max(n, last)
		if len(j.files) > 0 {
			n = max(n, j.files[len(j.files)-1].first)
		}
		n += 2 * j.opts.tune.reserve
	}
	return n, false
}

// unclean takes back the mark of a clean end and promises numbers.
func (j *Journal) unclean(reserved uint64) error {
	if err := j.records.putMeta("reserved", reserved); err != nil {
		return err
	}
	if err := j.records.change("meta", "DELETE FROM meta WHERE key = 'clean'"); err != nil {
		return err
	}
	err := inTx(j.w.conn, func(ctx context.Context) error {
		if _, err := j.w.conn.ExecContext(ctx, "DELETE FROM meta WHERE key = 'clean'"); err != nil {
			return err
		}
		return j.w.putMeta(ctx, "journal", j.id, "first", formatSeq(j.w.file.first), "reserved", formatSeq(reserved))
	})
	if err != nil {
		return fmt.Errorf("%s: %w", j.w.file.path, err)
	}
	// Else the mark would be back if the log were lost.
	if _, err := j.w.checkpoint(); err != nil {
		j.log.Error("journal: bring the log into the file", "file", j.w.file.path, "error", err)
	}
	j.reserved = reserved
	return nil
}
