package journal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"soakrig/daemon/record"
)

// Options say where a journal lies and how it behaves.
type Options struct {
	Dir       string        // folder; created when missing; one process at a time
	Sync      time.Duration // time between commits; zero: 1 s. What a power cut can cost
	Keep      time.Duration // age beyond which files are retired; zero: no limit
	MaxBytes  int64         // bytes of all files beyond which the oldest are retired; zero: no limit
	RingBytes int           // most memory for the newest entries, used up only while the disk takes no commits; zero: 8 MiB
	PinBytes  int64         // most bytes that pins may hold; zero: half of MaxBytes, or half of the file system
	Ballast   int64         // reserve given up when the disk is full; zero: 16 MiB, negative: none
	Log       *slog.Logger  // nil: nothing is logged

	tune tuning
}

// tuning holds what only tests change.
type tuning struct {
	reserve     uint64                // numbers reserved ahead
	sealRows    int                   // live rows that make a block
	sealEntries int                   // or live entries
	rotateBytes int64                 // file size that ends a file
	rotateAge   time.Duration         // or its age
	maintain    time.Duration         // time between looks at the disk
	checkEvery  time.Duration         // time between checks of all files
	copyEvery   time.Duration         // time between copies of records.db
	fault       func(op string) error // called before a step that touches the disk; its error is the step's
	disk        func(dir string) (disk, error)
	spoil       func([]sealBlock) // changes what was packed
}

func (o *Options) setDefaults() {
	def(&o.Sync, time.Second)
	def(&o.RingBytes, 8<<20)
	def(&o.Ballast, 16<<20)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	t := &o.tune
	def(&t.reserve, 1<<24)
	def(&t.sealRows, 256)
	def(&t.sealEntries, 16384)
	def(&t.rotateBytes, 32<<20)
	def(&t.rotateAge, 7*24*time.Hour)
	def(&t.maintain, 10*time.Second)
	def(&t.checkEvery, 7*24*time.Hour)
	def(&t.copyEvery, 24*time.Hour)
	if t.fault == nil {
		t.fault = func(string) error { return nil }
	}
	if t.spoil == nil {
		t.spoil = func([]sealBlock) {}
	}
	if t.disk == nil {
		t.disk = statDisk
	}
}

func def[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

// Journal is an open journal. All methods may be called from any goroutine.
type Journal struct {
	opts Options
	log  *slog.Logger
	lock *os.File
	id   string

	mu       sync.Mutex
	ring     ring            // guarded by mu
	head     uint64          // last number given; guarded by mu
	next     uint64          // number of the next entry; guarded by mu
	reserved uint64          // last number that the disk promises never to give again; guarded by mu
	last     record.Stamp    // of the newest entry; guarded by mu
	hasLast  bool            // guarded by mu
	own      []record.Body   // the journal's own entries, waiting for a stamp; guarded by mu
	waiting  []chan struct{} // readers at the head; guarded by mu
	synced   chan struct{}   // closed at the next commit; guarded by mu
	scratch  []byte          // guarded by mu
	fresh    int             // bytes appended since a commit was last asked for; guarded by mu
	lost     []record.Gap    // guarded by mu; ascending
	closed   bool            // guarded by mu
	state    health          // guarded by mu
	oldest   uint64          // first number of the files, 0: none; guarded by mu
	pins     []pin           // guarded by mu
	count    census          // guarded by mu

	durable atomic.Uint64
	unknown atomic.Uint64

	saving  sync.Mutex // held while a damaged file is replaced
	filesMu sync.Mutex
	files   []*sampleFile // ascending, the last is active; guarded by filesMu

	records records

	// Only the commit goroutine touches these.
	w            *writer
	staleNumbers bool   // records.db is a copy's, and what it promised about numbers is old
	stored       uint64 // last number on disk, or skipped by a jump
	packer       record.BlockWriter
	seal         *sealing
	commits      commitTimes

	ctx     context.Context
	cancel  context.CancelFunc
	stop    chan struct{}
	kick    chan struct{}
	damage  chan error // asks the commit goroutine to replace the active file
	workers sync.WaitGroup
	done    chan struct{} // the commit goroutine has ended
}

// Append numbers an entry and shows it to readers at once; it is durable once
// State.DurableThrough has reached its number. It keeps no reference to body.
// Errors: ErrClosed, ErrNoSequence, or why body can't be encoded.
func (j *Journal) Append(at record.Stamp, body record.Body) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return 0, ErrClosed
	}
	var err error
	if j.scratch, err = record.AppendBody(j.scratch[:0], body); err != nil {
		return 0, err
	}
	j.last, j.hasLast = at, true
	if len(j.own) > 0 {
		keep := append([]byte(nil), j.scratch...)
		if err := j.appendOwn(); err != nil {
			return 0, err
		}
		j.scratch = append(j.scratch[:0], keep...)
	}
	return j.appendEncoded(at)
}

// appendOwn appends what the journal itself has to say. mu is held.
func (j *Journal) appendOwn() error {
	for len(j.own) > 0 {
		var err error
		if j.scratch, err = record.AppendBody(j.scratch[:0], j.own[0]); err != nil {
			return err
		}
		if _, err := j.appendEncoded(j.last); err != nil {
			return err
		}
		j.own = j.own[1:]
	}
	j.own = nil
	return nil
}

// appendEncoded appends scratch. mu is held.
func (j *Journal) appendEncoded(at record.Stamp) (uint64, error) {
	if j.next > j.reserved {
		return 0, ErrNoSequence
	}
	seq := j.next
	j.ring.add(seq, &at, j.scratch, j.durable.Load())
	j.head = seq
	j.next++
	j.fresh += len(j.scratch) + stampBytes
	if j.fresh > j.opts.RingBytes/4 { // do not let a burst leave memory before it is stored
		j.fresh = 0
		j.Commit()
	}
	if len(j.waiting) > 0 {
		for _, w := range j.waiting {
			select {
			case w <- struct{}{}:
			default:
			}
		}
		clear(j.waiting)
		j.waiting = j.waiting[:0]
	}
	return seq, nil
}

// say appends an entry of the journal's own, now or with the next sample.
func (j *Journal) say(body record.Body) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.own = append(j.own, body)
	if j.hasLast && !j.closed {
		if err := j.appendOwn(); err != nil {
			j.log.Error("journal: own entry", "error", err)
		}
	}
}

// event says that the journal changed state.
func (j *Journal) event(state, text string) {
	j.say(&record.SourceEvent{Source: "journal", State: state, Text: text})
}

// loss remembers a range of numbers that hold nothing, and says so.
func (j *Journal) loss(g record.Gap) {
	j.log.Warn("journal: entries are missing", "from", g.From, "to", g.To, "cause", g.Cause, "text", g.Text)
	if err := j.records.putGap(g); err != nil {
		j.log.Error("journal: store gap", "error", err)
	}
	j.mu.Lock()
	j.lost = append(j.lost, g)
	j.mu.Unlock()
	j.say(&g)
}

// ID names this journal; a cursor of another journal means nothing here.
func (j *Journal) ID() string { return j.id }

// WaitDurable waits until seq is durable. Errors: the context's, ErrNotDurable
// when that will not happen before a restart, ErrClosed.
func (j *Journal) WaitDurable(ctx context.Context, seq uint64) error {
	for {
		if j.durable.Load() >= seq {
			return nil
		}
		j.mu.Lock()
		synced, final, closed, text := j.synced, j.state.final, j.closed, j.state.text
		j.mu.Unlock()
		switch {
		case j.durable.Load() >= seq:
			return nil
		case final:
			return fmt.Errorf("%w: %s", ErrNotDurable, text)
		case closed:
			return ErrClosed
		}
		select {
		case <-synced:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Commit asks for a commit now instead of at the next interval, and does not wait
// for it. For rare entries that someone waits for.
func (j *Journal) Commit() {
	select {
	case j.kick <- struct{}{}:
	default:
	}
}

// Close commits what is there, marks the journal as cleanly closed and releases
// everything. Readers get what is left and then ErrClosed. The error says why the
// end could not be made durable.
func (j *Journal) Close() error {
	j.mu.Lock()
	if j.closed {
		j.mu.Unlock()
		<-j.done
		return nil
	}
	j.closed = true
	waiting := j.waiting
	j.waiting = nil
	j.mu.Unlock()
	for _, w := range waiting {
		select {
		case w <- struct{}{}:
		default:
		}
	}
	close(j.stop)
	<-j.done
	j.cancel()
	j.workers.Wait()
	j.saving.Lock() // a reader may have met damage
	err := j.closeFiles()
	j.saving.Unlock()
	j.wakeDurable()
	return err
}

func (j *Journal) closeFiles() error {
	err := j.markClean()
	j.filesMu.Lock()
	for _, f := range j.files {
		f.shut()
	}
	j.filesMu.Unlock()
	if j.currentState().final {
		j.w.abandon()
	} else {
		j.w.close()
	}
	return errors.Join(err, j.records.close(), j.lock.Close())
}

// markClean writes down the last number, so that the next start need not jump.
func (j *Journal) markClean() error {
	j.mu.Lock()
	head, durable, final := j.head, j.durable.Load(), j.state.final
	j.mu.Unlock()
	if final || durable != head {
		return fmt.Errorf("close journal %s: %w: entries %d to %d are lost", j.opts.Dir, ErrNotDurable, durable+1, head)
	}
	if err := j.records.putMeta("clean", head); err != nil {
		return fmt.Errorf("close journal %s: %w", j.opts.Dir, err)
	}
	err := inTx(j.w.conn, func(ctx context.Context) error {
		return j.w.putMeta(ctx, "clean", formatSeq(head))
	})
	if err != nil {
		return fmt.Errorf("close journal %s: %w", j.opts.Dir, err)
	}
	return nil
}

func (j *Journal) wakeDurable() {
	j.mu.Lock()
	close(j.synced)
	j.synced = make(chan struct{})
	j.mu.Unlock()
}
