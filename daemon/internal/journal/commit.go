package journal

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"soakrig/daemon/record"
)

// A commit takes at most this much at once; what is left follows at once.
const (
	rowEntries = 4096 // entries in one live row
	txEntries  = 4 * rowEntries
	rowBytes   = 1 << 20 // body bytes in one live row
)

const notStoredText = "the disk took no commits for longer than memory reaches"

// health is what the disk lets the journal promise. The journal's mu guards it.
type health struct {
	ok     bool   // the last commit succeeded
	final  bool   // a sync failed: nothing becomes durable any more
	text   string // why not ok
	errors uint64 // failed commits
}

// run is the commit goroutine: the only one that changes the active file.
func (j *Journal) run() {
	defer close(j.done)
	tick := time.NewTicker(j.opts.Sync)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-j.kick:
		case err := <-j.damage:
			j.failed(err)
		case <-j.stop:
			j.commitAll()
			j.dropSeal()
			return
		}
		j.commitAll()
	}
}

// commitAll commits until nothing waits, or until the disk refuses.
func (j *Journal) commitAll() {
	for {
		if j.currentState().final {
			return
		}
		more, err := j.commitOnce()
		if err != nil {
			j.failed(err)
			return
		}
		j.rotate()
		if !more {
			return
		}
	}
}

func (j *Journal) currentState() health {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.state
}

// batch is what one commit writes.
type batch struct {
	chunks []chunk
	from   uint64 // first number that goes to disk
	to     uint64 // last
}

// pending collects the entries that are not on disk yet. gap is the range that
// has left memory before it got there.
func (j *Journal) pending() (b batch, gap record.Gap, more bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.fresh = 0
	from := j.stored + 1
	first := j.ring.first()
	if first == 0 || j.head < from {
		return b, gap, false
	}
	if from < first {
		gap = record.Gap{From: from, To: first - 1, Cause: CauseNotStored, Text: notStoredText}
		from = first
	}
	b.from, b.to = from, min(j.head, from+txEntries-1)
	for seq := from; seq <= b.to; {
		c := j.ring.at(seq)
		b.chunks = append(b.chunks, c)
		seq = c.first + uint64(len(c.ends))
	}
	return b, gap, b.to < j.head
}

// commitOnce makes one transaction of what waits. more tells that there is more.
func (j *Journal) commitOnce() (more bool, err error) {
	b, gap, more := j.pending()
	if b.to == 0 && !j.sealDue() {
		return false, nil
	}
	if err := j.reserveAhead(); err != nil {
		return false, err
	}
	began := time.Now()
	rows, err := j.packRows(b)
	if err != nil {
		return false, err
	}
	if err := j.write(rows); err != nil {
		return false, fmt.Errorf("commit to %s: %w", j.w.file.path, err)
	}
	j.commits.add(time.Since(began))
	for _, r := range rows {
		j.w.live++
		j.w.liveCount += r.entries
	}
	if gap.To != 0 {
		j.loss(gap)
	}
	j.committed(b)
	j.sealed()
	return more, nil
}

// committed publishes that a batch is durable.
func (j *Journal) committed(b batch) {
	recovered := false
	j.mu.Lock()
	if b.to != 0 {
		j.stored = b.to
		if !j.w.hasBegun {
			j.w.begun, j.w.hasBegun = j.last, true
		}
		j.durable.Store(b.to)
		if j.oldest == 0 {
			j.oldest = b.from
		}
	}
	if !j.state.ok {
		recovered = true
		j.state.ok, j.state.text = true, ""
	}
	close(j.synced)
	j.synced = make(chan struct{})
	j.mu.Unlock()
	if recovered {
		j.log.Info("journal: durable again", "through", b.to)
		j.event("recovered", "commits succeed again")
	}
}

// liveRow is a packed row that waits for its commit.
type liveRow struct {
	first   uint64
	entries int
	d       []byte
}

// write makes one transaction of the rows and of what the seal has ready. One row
// alone is a statement alone, which SQLite makes a transaction of.
func (j *Journal) write(rows []liveRow) error {
	if err := j.opts.tune.fault("commit"); err != nil {
		return err
	}
	insert := func(ctx context.Context, r liveRow) error {
		_, err := j.w.insertLive.ExecContext(ctx, int64(r.first), r.d)
		return err
	}
	if len(rows) == 1 && !j.sealDue() && !j.w.unnamed {
		return insert(context.Background(), rows[0])
	}
	err := j.w.inTx(func(ctx context.Context) error {
		if j.w.unnamed {
			if err := j.w.name(ctx); err != nil {
				return err
			}
		}
		if err := j.writeSeal(ctx); err != nil {
			return err
		}
		for _, r := range rows {
			if err := insert(ctx, r); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		j.w.unnamed = false
	}
	return err
}

// packRows packs a batch into rows for live.
func (j *Journal) packRows(b batch) (rows []liveRow, err error) {
	if b.to == 0 {
		return nil, nil
	}
	seq := b.from
	bytes := 0
	j.packer.Reset(seq)
	flush := func() {
		if n := j.packer.Len(); n > 0 {
			rows = append(rows, liveRow{first: seq - uint64(n), entries: n, d: j.packer.Append(nil)})
		}
		j.packer.Reset(seq)
		bytes = 0
	}
	for _, c := range b.chunks {
		for i := int(seq - c.first); i < len(c.ends) && seq <= b.to; i++ {
			stamp, body := c.entry(i)
			if j.packer.Len() >= rowEntries || bytes > rowBytes {
				flush()
			}
			ok, err := j.packer.Add(takeStamp(stamp), body)
			if err == nil && !ok { // the block can take no more of this kind
				flush()
				_, err = j.packer.Add(takeStamp(stamp), body)
			}
			if err != nil {
				return nil, err
			}
			bytes += len(body)
			seq++
		}
	}
	flush()
	return rows, nil
}

// reserveAhead makes the disk promise more numbers when half of those promised are
// used. The promise is durable in both databases before a number of it is given.
func (j *Journal) reserveAhead() error {
	j.mu.Lock()
	head, reserved := j.head, j.reserved
	j.mu.Unlock()
	if head+j.opts.tune.reserve/2 < reserved {
		return nil
	}
	reserved = head + j.opts.tune.reserve
	if err := j.opts.tune.fault("reserve"); err != nil {
		return err
	}
	if err := j.records.putMeta("reserved", reserved); err != nil {
		return fmt.Errorf("reserve numbers: %w", err)
	}
	err := inTx(j.w.conn, func(ctx context.Context) error {
		return j.w.putMeta(ctx, "reserved", formatSeq(reserved))
	})
	if err != nil {
		return fmt.Errorf("reserve numbers: %w", err)
	}
	j.mu.Lock()
	j.reserved = reserved
	j.mu.Unlock()
	return nil
}

func formatSeq(n uint64) string { return strconv.FormatUint(n, 10) }

// failed meets a failed commit: the entries stay in memory, readers go on.
func (j *Journal) failed(err error) {
	kind := troubleOf(err)
	text := explain(err)
	if code, ok := sqliteCode(err); ok && code&0xff == sqliteIOErr && kind == troubleFull && readOnly(j.opts.Dir) {
		kind, text = troubleOther, explainReadOnly(err)
	}
	j.mu.Lock()
	before := j.state
	j.state.ok, j.state.text = false, text
	j.state.errors++
	j.state.final = j.state.final || kind == troubleSync
	closed := j.closed
	j.mu.Unlock()
	if before.ok {
		j.log.Error("journal: not durable", "error", text, "final", kind == troubleSync)
		j.event("failed", text)
	}
	switch kind {
	case troubleSync:
		j.wakeDurable()
	case troubleFull:
		j.dropBallast()
	case troubleCorrupt:
		if !closed {
			j.replaceActive(err)
		}
	}
}

// commitTimes keeps the latencies of the newest commits.
type commitTimes struct {
	mu    sync.Mutex
	count uint64             // guarded by mu
	ring  [512]time.Duration // guarded by mu
}

func (c *commitTimes) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ring[c.count%uint64(len(c.ring))] = d
	c.count++
}

// snapshot gives the median, the 99th percentile and the number of all commits;
// zero before the first.
func (c *commitTimes) snapshot() (p50, p99 time.Duration, count uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := int(min(c.count, uint64(len(c.ring))))
	if n == 0 {
		return 0, 0, 0
	}
	s := slices.Clone(c.ring[:n])
	slices.Sort(s)
	return s[n/2], s[n*99/100], c.count
}

func (c *commitTimes) n() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.count
}

// rotateEvery is how many commits pass between looks at the file's size.
const rotateEvery = 16

// rotate begins a new file when the active one is large or old enough. The new one
// is open before the old one is let go; when it can't be made, the old one is used
// on.
func (j *Journal) rotate() {
	if j.commits.n()%rotateEvery != 0 && j.opts.tune.rotateBytes > 1<<20 {
		return
	}
	if err := j.w.shorten(); err != nil {
		j.log.Error("journal: bring the log into the file", "file", j.w.file.path, "error", err)
	}
	size, err := j.w.size()
	if err != nil {
		j.log.Error("journal: size of file", "error", err)
		return
	}
	if !j.w.full && !j.rotationDue(size) { // a seal that ended since may have made it smaller
		return
	}
	j.w.full = true
	if j.seal != nil {
		return
	}
	j.mu.Lock()
	next, reserved := j.stored+1, j.reserved
	j.mu.Unlock()
	if next <= j.w.file.first {
		return
	}
	if err := j.opts.tune.fault("rotate"); err != nil {
		j.log.Error("journal: begin file", "error", err)
		return
	}
	w, err := createFile(j.opts.Dir, j.id, next, reserved)
	if err != nil {
		j.log.Error("journal: begin file", "error", err)
		return
	}
	old := j.w
	old.file.finishing.Store(true)
	j.swapWriter(w)
	j.workers.Go(func() {
		defer old.file.finishing.Store(false)
		if err := j.finish(old); err != nil {
			j.log.Error("journal: finish file", "file", old.file.path, "error", err)
		}
	})
}

func (j *Journal) swapWriter(w *writer) {
	j.w = w
	j.filesMu.Lock()
	j.files = append(j.files, w.file)
	j.filesMu.Unlock()
}

func (j *Journal) rotationDue(size int64) bool {
	if size >= j.opts.tune.rotateBytes {
		return true
	}
	if !j.w.hasBegun {
		return false
	}
	j.mu.Lock()
	last := j.last
	j.mu.Unlock()
	age, sameBoot := last.Sub(j.w.begun)
	return (sameBoot || last.Synced && j.w.begun.Synced) && age >= j.opts.tune.rotateAge
}
