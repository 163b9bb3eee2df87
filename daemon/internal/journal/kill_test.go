package journal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// writeUntilKilled is the writer process: it opens the journal in args[0], appends
// entries with serial numbers from args[1] on and prints what happens, one line
// each: "a SEQ SERIAL" before it can be acknowledged, "d SEQ" once durable.
func writeUntilKilled(args []string) error {
	from, err := strconv.ParseUint(args[1], 10, 64)
	if err != nil {
		return err
	}
	seed, err := strconv.ParseUint(args[2], 10, 64)
	if err != nil {
		return err
	}
	opts := small(args[0])
	opts.Sync = 3 * time.Millisecond
	j, err := Open(opts)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(seed, 2))
	out := bufio.NewWriter(os.Stdout)
	durable := j.State().DurableThrough
	for k := from; ; k++ {
		at, body := entryFor(k)
		seq, err := j.Append(at, body)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "a %d %d\n", seq, k)
		if d := j.State().DurableThrough; d != durable {
			durable = d
			fmt.Fprintf(out, "d %d\n", d)
		}
		if rng.IntN(40) == 0 {
			if err := j.WaitDurable(context.Background(), seq); err != nil {
				return err
			}
			durable = j.State().DurableThrough
			fmt.Fprintf(out, "d %d\n", durable)
			if err := out.Flush(); err != nil {
				return err
			}
		}
	}
}

// ledger is what the killer knows about a journal.
type ledger struct {
	acked   map[uint64]uint64 // number to serial of what was acknowledged: must be there
	maybe   map[uint64]uint64 // streamed, never acknowledged: right if it is there
	fresh   map[uint64]uint64 // streamed by the writer that runs
	highest uint64            // number streamed
	durable uint64            // acknowledged
	next    uint64            // serial
}

func newLedger() *ledger {
	return &ledger{acked: map[uint64]uint64{}, maybe: map[uint64]uint64{}, fresh: map[uint64]uint64{}, next: 1}
}

func (l *ledger) line(s string) error {
	f := strings.Fields(s)
	if len(f) < 2 || !strings.HasSuffix(s, "\n") {
		return nil // cut by the kill
	}
	seq, err := strconv.ParseUint(f[1], 10, 64)
	if err != nil {
		return err
	}
	if f[0] == "d" {
		l.durable = max(l.durable, seq)
		return nil
	}
	k, err := strconv.ParseUint(f[2], 10, 64)
	if err != nil {
		return err
	}
	return l.streamed(seq, k)
}

func (l *ledger) streamed(seq, k uint64) error {
	if seq <= l.highest {
		return fmt.Errorf("number %d was given twice; %d was streamed", seq, l.highest)
	}
	l.fresh[seq] = k
	l.highest, l.next = seq, max(l.next, k+1)
	return nil
}

// ended sorts what the writer that ended had streamed.
func (l *ledger) ended() {
	for seq, k := range l.fresh {
		if seq <= l.durable {
			l.acked[seq] = k
		} else {
			l.maybe[seq] = k
		}
	}
	clear(l.fresh)
}

// check reads the whole journal: every acknowledged entry must be there, and every
// entry must hold what its number held when it was streamed.
func (l *ledger) check(ctx context.Context, j *Journal) error {
	head := j.State().DurableThrough
	if head < l.durable {
		return fmt.Errorf("durable through %d, acknowledged %d", head, l.durable)
	}
	found := 0
	r := j.NewReader(1)
	for r.Seq() <= head {
		at := r.Seq()
		e, err := r.Next(ctx)
		if gap := (*GapError)(nil); errors.As(err, &gap) {
			if gap.Gap.Cause != CauseUncleanStop {
				return err
			}
			continue
		}
		if err != nil {
			return fmt.Errorf("entry %d: %w", at, err)
		}
		if e.Seq != at {
			return fmt.Errorf("entry %d, want %d", e.Seq, at)
		}
		k, ok := l.acked[e.Seq]
		if ok {
			found++
		} else if k, ok = l.maybe[e.Seq]; !ok {
			continue // killed between the append and its line, or the journal's own
		}
		wantAt, body := entryFor(k)
		if e.At != wantAt || !sameBody(e.Body, body) {
			return fmt.Errorf("WRONG VALUE in entry %d: %+v %+v, want %+v", e.Seq, e.At, e.Body, body)
		}
	}
	if found != len(l.acked) {
		return fmt.Errorf("%d of %d acknowledged entries are lost", len(l.acked)-found, len(l.acked))
	}
	return nil
}

// TestKill kills a writer with SIGKILL at random moments, again and again on the
// same folder, and checks the whole journal after each.
func TestKill(t *testing.T) {
	rng := seeded(t)
	dir := t.TempDir()
	l := newLedger()
	acknowledged := 0
	for trial := range *kills {
		if trial > 0 && trial%50 == 0 { // a fresh folder keeps the whole check short
			acknowledged += len(l.acked)
			dir, l = t.TempDir(), newLedger()
		}
		if err := killOnce(dir, l, rng); err != nil {
			t.Fatalf("kill %d: %v", trial, err)
		}
		l.ended()
		j := open(t, small(dir))
		if err := l.check(t.Context(), j); err != nil {
			t.Fatalf("after kill %d: %v", trial, err)
		}
		k := l.next
		seq, err := j.Append(entryFor(k))
		if err == nil {
			err = l.streamed(seq, k)
		}
		if err != nil {
			t.Fatalf("after kill %d: %v", trial, err)
		}
		if trial%3 == 0 {
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			l.durable = seq
		} else {
			crash(j)
		}
		l.ended()
	}
	acknowledged += len(l.acked)
	t.Logf("%d kills, %d entries acknowledged: 0 lost, 0 wrong values, no number given twice", *kills, acknowledged)
}

// killOnce runs a writer and kills it after some lines and some microseconds.
func killOnce(dir string, l *ledger, rng *rand.Rand) error {
	cmd := exec.Command(os.Args[0], dir, strconv.FormatUint(l.next, 10), strconv.FormatUint(rng.Uint64(), 10))
	cmd.Env = append(os.Environ(), "JOURNAL_TEST_HELPER=write")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	defer cmd.Wait()
	lines := bufio.NewReader(pipe)
	left := rng.IntN(1500)
	if rng.IntN(8) == 0 {
		left = 0 // while it opens
	}
	for {
		if left == 0 {
			time.AfterFunc(time.Duration(rng.IntN(4000))*time.Microsecond, func() { cmd.Process.Kill() })
		}
		left--
		s, err := lines.ReadString('\n')
		if err != nil {
			if !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrClosed) {
				return err
			}
			break
		}
		if err := l.line(s); err != nil {
			cmd.Process.Kill()
			return err
		}
	}
	if s := stderr.String(); s != "" {
		return fmt.Errorf("writer: %s", s)
	}
	return nil
}
