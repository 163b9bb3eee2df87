package rpc

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"soakrig/client"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
)

func TestDecimation(t *testing.T) {
	f := newFixture(t).start()
	f.fill(500) // 100 s
	f.clock.move(10 * time.Second)
	f.wall(777)
	head := f.mark("end")
	c := f.client()
	var sums []client.Summary
	var lines []string
	stopAt := func(seq uint64) func(*client.Event) error {
		return func(e *client.Event) error {
			lines = append(lines, line(e))
			if e.Summary != nil {
				sums = append(sums, *e.Summary)
			}
			if e.Seq >= seq {
				return errEnough
			}
			return nil
		}
	}
	f.clock.move(time.Hour) // so that the last interval is over
	o := client.TailOptions{Interval: 10 * time.Second, Heartbeat: time.Second}
	if _, err := c.Tail(t.Context(), client.Cursor{Next: 1}, o, stopAt(head)); !errors.Is(err, errEnough) {
		t.Fatal(err)
	}
	table, err := convert.New(f.layout)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]convert.Value, 2)
	type key struct {
		channel int
		from    int64
	}
	want := map[key]*client.Summary{}
	for _, e := range f.journal.entries {
		s, ok := e.Body.(*record.Sample)
		if !ok {
			continue
		}
		if err := table.Convert(s, out[:len(s.Raw)]); err != nil {
			t.Fatal(err)
		}
		for i, ch := range f.layout.Sources[s.Source].Channels {
			k := key{ch, e.At.BootNS / 1e10 * 1e10}
			m := want[k]
			if m == nil {
				m = &client.Summary{Min: math.Inf(1), Max: math.Inf(-1)}
				want[k] = m
			}
			if m.HasLast = out[i].Faults == 0; !m.HasLast {
				m.Faulted++
				continue
			}
			m.Good++
			m.Min, m.Max, m.Last = min(m.Min, out[i].Value), max(m.Max, out[i].Value), out[i].Value
		}
	}
	for _, s := range sums {
		w := want[key{s.Channel, s.FromBootNS}]
		if w == nil || w.Min != s.Min || w.Max != s.Max || w.Good != s.Good || w.Faulted != s.Faulted ||
			w.HasLast != s.HasLast || w.HasLast && w.Last != s.Last || s.ToBootNS != s.FromBootNS+1e10 {
			t.Errorf("summary %+v, want %+v", s, w)
		}
	}
	if len(sums) != len(want) {
		t.Errorf("%d summaries, want %d", len(sums), len(want))
	}

	// Stopping anywhere and going on from the cursor gives the same once more.
	whole := lines
	for stop := 1; stop < len(whole); stop += 23 {
		lines = nil
		n := 0
		cur, err := c.Tail(t.Context(), client.Cursor{Next: 1}, o, func(e *client.Event) error {
			if n++; n > stop {
				return errEnough
			}
			lines = append(lines, line(e))
			return nil
		})
		if !errors.Is(err, errEnough) {
			t.Fatal(err)
		}
		// What belongs to the interval in hand comes again as a whole: undo it.
		lines = undo(whole, lines, cur)
		if _, err := c.Tail(t.Context(), cur, o, stopAt(head)); !errors.Is(err, errEnough) {
			t.Fatal(err)
		}
		same(t, lines, whole)
	}
}

// undo drops the events of the interval in which a caller stopped.
func undo(whole, got []string, cur client.Cursor) []string {
	n := 0
	for i, l := range whole[:len(got)] {
		var from, to int64
		var name string
		if k, _ := fmt.Sscanf(l, "summary %s b001+%d..%d", &name, &from, &to); k == 3 {
			// fill stamps the layout at 1 s, then a sample each 200 ms
			if seqAt(to) <= cur.Next {
				n = i + 1
			}
		} else {
			var seq uint64
			fmt.Sscanf(l, "%d", &seq)
			if seq < cur.Next {
				n = i + 1
			}
		}
	}
	return got[:n]
}

// seqAt is the first sequence at or behind an instant, in what fill made.
func seqAt(bootNS int64) uint64 {
	seq := uint64(1) // the layout
	for i := int64(0); ; i++ {
		seq++
		if 1e9+(i+1)*2e8 >= bootNS {
			return seq
		}
		if i%5 == 4 {
			seq++
		}
		if i%50 == 49 {
			seq++
		}
	}
}

// An event that nobody follows is told when its interval is over, not never.
func TestDecimationEndsAnIdleInterval(t *testing.T) {
	f := newFixture(t).start()
	f.fill(3)
	end := f.mark("lonely")
	f.clock.move(time.Minute)
	got := collect(t, f.client(), client.Cursor{Next: 1}, client.TailOptions{Interval: 5 * time.Second, Heartbeat: time.Second}, end)
	if len(got) != 3 || !strings.HasPrefix(got[0], "summary vr1 b001+0..5000000000") || !strings.Contains(got[2], "lonely") {
		t.Errorf("%q", got)
	}
}
