package rpc

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"soakrig/client"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

var errEnough = errors.New("enough")

// collect tails until the sequence upTo was delivered or covered by a gap.
func collect(t *testing.T, c *client.Client, from client.Cursor, o client.TailOptions, upTo uint64) (lines []string) {
	t.Helper()
	_, err := c.Tail(t.Context(), from, o, func(e *client.Event) error {
		lines = append(lines, line(e))
		if last(e) >= upTo {
			return errEnough
		}
		return nil
	})
	if !errors.Is(err, errEnough) {
		t.Fatalf("tail: %v after %d events", err, len(lines))
	}
	return lines
}

func last(e *client.Event) uint64 {
	if e.Gap != nil {
		return e.Gap.To
	}
	return e.Seq
}

// when is a stamp with everything that it says.
func when(at record.Stamp) string {
	return fmt.Sprintf("%x+%d %d %t", at.Boot[:2], at.BootNS, at.WallNS, at.Synced)
}

// line is an event in one line, with everything that it says.
func line(e *client.Event) string {
	switch e.Kind {
	case client.KindSample:
		var b strings.Builder
		fmt.Fprintf(&b, "%d %s %s", e.Seq, e.Sample.SourceName(), when(e.At))
		for i := range e.Sample.Readings {
			r := &e.Sample.Readings[i]
			fmt.Fprintf(&b, " %s=%v/%v/%s", e.Sample.Channel(r).Name, r.Value, r.Expanded, r.Faults)
		}
		return b.String()
	case client.KindGap:
		return fmt.Sprintf("%d..%d gap %s", e.Gap.From, e.Gap.To, e.Gap.Cause)
	case client.KindSummary:
		s := e.Summary
		return fmt.Sprintf("summary %s %x+%d..%d %v %v %v %d+%d", s.Layout.Channels[s.Channel].Name, s.Boot[:2], s.FromBootNS, s.ToBootNS, s.Min, s.Max, s.Last, s.Good, s.Faulted)
	}
	return fmt.Sprintf("%d %s %s", e.Seq, when(e.At), e.Text)
}

// expected is what a tail must give, made from the journal by the converter itself.
func (f *fixture) expected(from uint64) (lines []string) {
	table, err := convert.New(f.layout)
	if err != nil {
		f.t.Fatal(err)
	}
	out := make([]convert.Value, 8)
	for _, e := range f.journal.entries {
		s, ok := e.Body.(*record.Sample)
		if e.Seq < from || e.Body == nil {
			continue
		}
		if !ok {
			if _, is := e.Body.(*record.Layout); !is {
				lines = append(lines, fmt.Sprintf("%d %s %s", e.Seq, when(e.At), event(&e).Text))
			}
			continue
		}
		src := f.layout.Sources[s.Source]
		if err := table.Convert(s, out[:len(s.Raw)]); err != nil {
			f.t.Fatal(err)
		}
		l := fmt.Sprintf("%d %s %s", e.Seq, src.Name, when(e.At))
		for i := range s.Raw {
			v := out[i]
			if v.Faults != 0 {
				v.Value, v.Expanded = 0, 0
			}
			l += fmt.Sprintf(" %s=%v/%v/%s", f.layout.Channels[src.Channels[i]].Name, v.Value, v.Expanded, v.Faults)
		}
		lines = append(lines, l)
	}
	return lines
}

func same(t *testing.T, got, want []string) {
	t.Helper()
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Fatalf("event %d of %d:\ngot  %s\nwant %s", i, len(want), got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%d events, want %d; last %q", len(got), len(want), append([]string{"none"}, got...)[len(got)])
	}
}

func TestTailCatchesUpThenGoesLive(t *testing.T) {
	noLeaks(t)
	f := newFixture(t).start()
	f.fill(2000)
	c := f.client()
	head := f.journal.State().Head
	same(t, collect(t, c, client.Cursor{Next: 1}, client.TailOptions{}, head), f.expected(1))

	// The same through a live stream, one at a time.
	go func() {
		for i := range 100 {
			f.sample(int64(2000 + i))
		}
		f.mark("end")
	}()
	same(t, collect(t, c, client.Cursor{Journal: "j1", Next: head + 1}, client.TailOptions{}, head+101), f.expected(head+1))
}

// Which sequence comes first is never off by one.
// Every entry says on which boot it happened, wherever a stream begins: a note that is
// the first after a restart of the board does not wait for a sample to tell.
func TestEveryEntryNamesItsBoot(t *testing.T) {
	f := newFixture(t).start()
	boot := func(b byte) {
		f.clock.mu.Lock()
		f.clock.at.Boot, f.clock.at.BootNS = record.BootID{b, b}, 1e9
		f.clock.mu.Unlock()
	}
	for b := range byte(4) {
		boot(b + 1)
		f.mark("the board is up")
		if b != 1 { // a boot without a sample
			f.sample(100)
			f.wall(7)
		}
		f.mark("and runs")
		f.clock.move(time.Second)
	}
	c, head := f.client(), f.journal.State().Head
	for from := uint64(1); from <= head; from++ {
		want := f.expected(from)
		same(t, collect(t, c, client.Cursor{Next: from}, client.TailOptions{}, head), want)
		var read []string
		if _, err := c.Read(t.Context(), client.Range{From: from}, func(e *client.Event) error {
			read = append(read, line(e))
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		same(t, read, want)
	}
	boots := map[string]int{}
	for _, l := range collect(t, c, client.Cursor{Next: 1}, client.TailOptions{Interval: time.Hour}, head-4) {
		if word := strings.Fields(l); word[0] == "summary" {
			boots[strings.SplitN(word[2], "+", 2)[0]]++
		}
	}
	if fmt.Sprint(boots) != "map[0101:3 0303:3]" { // the fourth is not over
		t.Errorf("summaries of %v", boots)
	}
}

func TestTailStartsWhereItIsAsked(t *testing.T) {
	f := newFixture(t).start()
	f.fill(10)
	f.mark("the end")
	head := f.journal.State().Head
	c := pb.NewSampleServiceClient(f.conn())
	for _, start := range []uint64{0, 1, 2, head, head + 1} {
		stream, err := c.Tail(t.Context(), &pb.TailRequest{StartSequence: &start})
		if err != nil {
			t.Fatal(err)
		}
		hello, err := stream.Recv()
		if err != nil || hello.GetHello().GetJournal().GetHead() != head {
			t.Fatalf("hello %v, %v", hello, err)
		}
		if start == head+1 {
			f.mark("one more")
			head++
		}
		m, err := stream.Recv()
		if want := max(start, 1); err != nil || m.GetBatch().GetFirst() != want {
			t.Errorf("start %d: first %d, %v; want %d", start, m.GetBatch().GetFirst(), err, want)
		}
		if m.GetBatch().GetLast() != head {
			t.Errorf("start %d: last %d, want %d", start, m.GetBatch().GetLast(), head)
		}
	}
}

func TestTailTellsGaps(t *testing.T) {
	f := newFixture(t).start()
	f.fill(40)
	head := f.journal.State().Head
	f.journal.jump(head+1, head+1000, "unclean_stop")
	f.fill(3)
	f.journal.retire(5)
	c := f.client()
	want := append([]string{"1..4 gap retention"}, f.expected(5)...)
	for i, l := range want {
		if strings.HasPrefix(l, fmt.Sprintf("%d ", head+1002)) {
			want = append(want[:i], append([]string{fmt.Sprintf("%d..%d gap unclean_stop", head+1, head+1000)}, want[i:]...)...)
			break
		}
	}
	got := collect(t, c, client.Cursor{Next: 1}, client.TailOptions{}, f.journal.State().Head)
	same(t, got, want)

	// A cursor inside a gap gets the rest of it; one inside the retired part too.
	for _, from := range []uint64{3, head + 500} {
		got := collect(t, c, client.Cursor{Next: from}, client.TailOptions{}, f.journal.State().Head)
		if !strings.HasPrefix(got[0], fmt.Sprintf("%d..", from)) {
			t.Errorf("from %d: first event %q", from, got[0])
		}
	}
	// From 0, the oldest there is: no gap for what was never asked for.
	zero := uint64(0)
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(t.Context(), &pb.TailRequest{StartSequence: &zero})
	if err != nil {
		t.Fatal(err)
	}
	stream.Recv()
	if m, err := stream.Recv(); err != nil || m.GetBatch().GetFirst() != 5 {
		t.Errorf("from 0: %v, %v", m, err)
	}
}

func TestTailFilters(t *testing.T) {
	f := newFixture(t).start()
	f.fill(300)
	head := f.mark("end")
	got := collect(t, f.client(), client.Cursor{Next: 1}, client.TailOptions{Channels: []string{"vr2", "vid"}}, head)
	var want []string
	for _, l := range f.expected(1) {
		if strings.Contains(l, " wall ") {
			continue
		}
		if before, after, ok := strings.Cut(l, " vr1="); ok {
			_, vr2, _ := strings.Cut(after, " vr2=")
			l = before + " vr2=" + vr2
		}
		want = append(want, l)
	}
	same(t, got, want)
}

// A filter that drops everything still moves the cursor, so that lag is true and a
// resumed stream does not read it all again.
func TestTailCoversWhatItDrops(t *testing.T) {
	f := newFixture(t).start()
	f.fill(2)
	for range 3 * maxSkipped {
		f.wall(1)
	}
	head := f.journal.State().Head
	start := uint64(1)
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(t.Context(), &pb.TailRequest{StartSequence: &start, Channels: []string{"vid"}, HeartbeatS: 1})
	if err != nil {
		t.Fatal(err)
	}
	next := uint64(1)
	for next <= head {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if b := m.GetBatch(); b != nil {
			if b.First != next || b.Last < b.First || len(b.Samples) > 0 {
				t.Fatalf("batch %d..%d with %d samples, want it from %d", b.First, b.Last, len(b.Samples), next)
			}
			next = b.Last + 1
		}
	}
}

func TestTailHeartbeats(t *testing.T) {
	f := newFixture(t).start()
	f.fill(5)
	f.journal.durable = 4
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(t.Context(), &pb.TailRequest{HeartbeatS: 1})
	if err != nil {
		t.Fatal(err)
	}
	stream.Recv() // hello
	begin := time.Now()
	m, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	hb := m.GetHeartbeat()
	if hb.GetHead() != f.journal.State().Head || hb.GetDurableThrough() != 4 || hb.GetWallNs() != f.clock.Now().WallNS {
		t.Errorf("heartbeat %v", m)
	}
	if d := time.Since(begin); d < 900*time.Millisecond {
		t.Errorf("heartbeat after %v, want 1 s", d)
	}
}

func TestTailRefusals(t *testing.T) {
	f := newFixture(t).start()
	f.fill(5)
	beyond := f.journal.State().Head + 2
	cases := []struct {
		req    *pb.TailRequest
		code   codes.Code
		reason string
		text   string
	}{
		{&pb.TailRequest{StartSequence: &beyond}, codes.OutOfRange, reasonBeyondHead, "the next sequence is 8"},
		{&pb.TailRequest{JournalId: "other"}, codes.FailedPrecondition, reasonJournal, "start again without a journal id"},
		{&pb.TailRequest{Channels: []string{"vr1", "vr9"}}, codes.InvalidArgument, reasonField, `channels[1]: rig bench has no channel "vr9"; it has vr1, vr2, wall, vid`},
		{&pb.TailRequest{HeartbeatS: 0.5}, codes.InvalidArgument, reasonField, "heartbeat_s: 0.5 s; want 1 to 60 s"},
		{&pb.TailRequest{HeartbeatS: math.NaN()}, codes.InvalidArgument, reasonField, "heartbeat_s"},
		{&pb.TailRequest{HeartbeatS: -1}, codes.InvalidArgument, reasonField, "heartbeat_s"},
		{&pb.TailRequest{IntervalS: 1e9}, codes.InvalidArgument, reasonField, "interval_s"},
	}
	c := pb.NewSampleServiceClient(f.conn())
	for _, one := range cases {
		stream, err := c.Tail(t.Context(), one.req)
		if err != nil {
			t.Fatal(err)
		}
		_, err = stream.Recv()
		checkStatus(t, err, one.code, one.reason, one.text)
	}
}

// A layout that nobody has any more makes one gap of all its samples.
func TestTailOfALostLayout(t *testing.T) {
	f := newFixture(t).start()
	lost := &record.Sample{Layout: 99, Source: 0, Raw: []record.Raw{{}, {}}}
	f.fill(3)
	first := f.journal.append(f.clock.Now(), lost)
	f.journal.append(f.clock.Now(), lost)
	f.journal.append(f.clock.Now(), lost)
	f.sample(5)
	bad := f.journal.append(f.clock.Now(), &record.Sample{Layout: f.layout.ID, Source: 0, Raw: []record.Raw{{}}})
	end := f.mark("end")
	got := collect(t, f.client(), client.Cursor{Next: 1}, client.TailOptions{}, end)
	want := []string{
		fmt.Sprintf("%d..%d gap damaged", first, first+2), "", fmt.Sprintf("%d..%d gap damaged", bad, bad), fmt.Sprintf("%d %s end (ann)", end, when(f.clock.Now())),
	}
	tail := got[len(got)-4:]
	for i := range want {
		if want[i] != "" && tail[i] != want[i] {
			t.Errorf("got %q, want %q", tail[i], want[i])
		}
	}
}

// A layout that ended before the cursor is found in the journal.
func TestTailFindsAnOlderLayout(t *testing.T) {
	f := newFixture(t)
	f.fill(3)
	old := f.layout
	next := *old
	next.ID, next.Channels = 12, append([]record.Channel(nil), old.Channels...)
	next.Channels[0].Name = "vrm"
	f.layout = &next
	f.start()
	f.journal.append(f.clock.Now(), &next)
	f.sample(7)
	end := f.mark("end")
	got := collect(t, f.client(), client.Cursor{Next: 3}, client.TailOptions{}, end)
	if !strings.Contains(got[0], " vr1=") || !strings.Contains(got[len(got)-2], " vrm=") {
		t.Errorf("got %q", got)
	}
	// In pages as well.
	var read []string
	if _, err := f.client().Read(t.Context(), client.Range{From: 3}, func(e *client.Event) error {
		read = append(read, line(e))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	same(t, read, got)
}

// A cold junction that is another channel must be known at the cursor.
func TestTailWarmsUpExternalColdJunctions(t *testing.T) {
	f := newFixture(t)
	block := f.layout.Channels[2]
	block.Name, block.Kind, block.Unit = "block", record.Temperature, "degC"
	f.layout.Channels[2] = block
	f.layout.Channels[0].Cold = record.ColdJunction{From: "channel", Channel: "block"}
	f.start()
	f.journal.append(f.clock.Now(), f.layout)
	f.wall(250) // 25.0 degC
	for range 50 {
		f.sample(3000)
	}
	end := f.mark("end")
	c := f.client()
	all := collect(t, c, client.Cursor{Next: 1}, client.TailOptions{}, end)
	same(t, collect(t, c, client.Cursor{Next: 40}, client.TailOptions{}, end), all[len(all)-int(end-40)-1:])
	if strings.Contains(all[len(all)-2], "vr1=0/") {
		t.Errorf("no value: %s", all[len(all)-2])
	}
	// Also where the block itself is not asked for.
	only := collect(t, c, client.Cursor{Next: 40}, client.TailOptions{Channels: []string{"vr1"}}, end)
	if want := strings.Split(all[len(all)-2], " vr2=")[0]; only[len(only)-2] != want {
		t.Errorf("got %q, want %q", only[len(only)-2], want)
	}
}

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

func TestReadPages(t *testing.T) {
	f := newFixture(t).start()
	f.fill(700)
	at := f.journal.State().Head
	f.journal.jump(at+1, at+50, "damaged")
	f.fill(20)
	f.journal.retire(3)
	head := f.journal.State().Head
	c := f.client()
	want := collect(t, c, client.Cursor{Next: 1}, client.TailOptions{}, head)
	var got []string
	end, err := c.Read(t.Context(), client.Range{From: 1}, func(e *client.Event) error {
		got = append(got, line(e))
		return nil
	})
	if err != nil || end.Cursor != (client.Cursor{Journal: "j1", Next: head + 1}) || end.Head != head {
		t.Errorf("end %+v, %v", end, err)
	}
	same(t, got, want)

	// Every page size gives the same in the end, and its layouts.
	raw := pb.NewSampleServiceClient(f.conn())
	for _, size := range []int32{1, 7, 100, 6000} {
		req := &pb.ReadRequest{StartSequence: 3, PageSize: size, JournalId: "j1"}
		next, entries := uint64(3), 0
		for {
			page, err := raw.Read(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			b := page.Batch
			if n := len(b.Samples) + len(b.Events); n > int(min(size, maxPage)) {
				t.Fatalf("%d entries in a page of %d", n, size)
			} else {
				entries += n
			}
			if b.First != next || len(b.Samples) > 0 && len(page.Layouts) != 1 {
				t.Fatalf("page from %d, want %d; %d layouts", b.First, next, len(page.Layouts))
			}
			next = b.Last + 1
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				break
			}
		}
		if next != head+1 || entries != len(want)-2 {
			t.Errorf("size %d: read up to %d, %d entries; want %d, %d", size, next-1, entries, head, len(want)-2)
		}
	}

	// A part, by sequence and channel.
	got = nil
	if _, err := c.Read(t.Context(), client.Range{From: 10, To: 12, Channels: []string{"vr1"}}, func(e *client.Event) error {
		got = append(got, fmt.Sprint(e.Seq, len(e.Sample.Readings)))
		return nil
	}); err != nil || fmt.Sprint(got) != "[10 1 11 1 12 1]" {
		t.Errorf("10..12: %v, %v", got, err)
	}
}

func TestReadOfAnEmptyJournal(t *testing.T) {
	f := newFixture(t).start()
	f.journal.oldest = 0
	end, err := f.client().Read(t.Context(), client.Range{}, func(*client.Event) error { return errEnough })
	if err != nil || end.Cursor != (client.Cursor{Journal: "j1", Next: 1}) {
		t.Errorf("%+v, %v", end, err)
	}
}

func TestReadRefusals(t *testing.T) {
	f := newFixture(t).start()
	f.fill(20)
	c := pb.NewSampleServiceClient(f.conn())
	page, err := c.Read(t.Context(), &pb.ReadRequest{PageSize: 2})
	if err != nil {
		t.Fatal(err)
	}
	token := page.NextPageToken
	cases := []struct {
		req    *pb.ReadRequest
		code   codes.Code
		reason string
		text   string
	}{
		{&pb.ReadRequest{PageSize: -1}, codes.InvalidArgument, reasonField, "page_size"},
		{&pb.ReadRequest{StartSequence: 10, EndSequence: 9}, codes.InvalidArgument, reasonField, "end_sequence: 9 is before"},
		{&pb.ReadRequest{StartSequence: 1000}, codes.OutOfRange, reasonBeyondHead, "beyond the head"},
		{&pb.ReadRequest{JournalId: "x"}, codes.FailedPrecondition, reasonJournal, "another journal"},
		{&pb.ReadRequest{Channels: []string{""}}, codes.InvalidArgument, reasonField, "channels[0]"},
		{&pb.ReadRequest{PageToken: "nonsense"}, codes.InvalidArgument, reasonField, "page_token"},
		{&pb.ReadRequest{PageToken: token, Channels: []string{"vr1"}}, codes.InvalidArgument, reasonField, "page_token"},
		{&pb.ReadRequest{PageToken: token[:len(token)-2]}, codes.InvalidArgument, reasonField, "page_token"},
	}
	for _, one := range cases {
		_, err := c.Read(t.Context(), one.req)
		checkStatus(t, err, one.code, one.reason, one.text)
	}
}

// Every sample that a client gets can be converted again to the same values.
func TestClientsCanConvertAgain(t *testing.T) {
	f := newFixture(t).start()
	f.fill(30)
	end := f.mark("end")
	var table *convert.Table
	out := make([]convert.Value, 8)
	_, err := f.client().Tail(t.Context(), client.Cursor{Next: 1}, client.TailOptions{}, func(e *client.Event) (err error) {
		if e.Seq == end {
			return errEnough
		}
		if e.Sample == nil {
			return nil
		}
		if table == nil {
			if table, err = convert.New(e.Sample.Layout); err != nil {
				return err
			}
		}
		s := e.Sample.Stored()
		if err := table.Convert(s, out[:len(s.Raw)]); err != nil {
			return err
		}
		for i, r := range e.Sample.Readings {
			if r.Faults != out[i].Faults || r.Faults == 0 && (r.Value != out[i].Value || r.Expanded != out[i].Expanded || r.EMFVolts != out[i].EMFVolts || r.ColdC != out[i].ColdC) {
				t.Errorf("%d: sent %+v, converted %+v", e.Seq, r, out[i])
			}
			if want := f.journal.entries[e.Seq-1].Body.(*record.Sample).Raw[i]; want.Faults == 0 && r.Raw != want {
				t.Errorf("%d: raw %+v, want %+v", e.Seq, r.Raw, want)
			}
		}
		return nil
	})
	if !errors.Is(err, errEnough) {
		t.Fatal(err)
	}
}

func TestStreamsShowLag(t *testing.T) {
	f := newFixture(t).start()
	f.fill(10)
	start := uint64(1)
	stream, err := pb.NewSampleServiceClient(f.conn()).Tail(t.Context(), &pb.TailRequest{StartSequence: &start})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := stream.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	list := f.srv.Streams()
	if len(list) != 1 || list[0].Lag != 0 || list[0].Next != f.journal.State().Head+1 || !strings.HasPrefix(list[0].Peer, "local@127.0.0.1:") {
		t.Errorf("%+v", list)
	}
}

// The batch travels as unknown bytes; grown-up clients must not notice.
func TestBatchesAreOrdinaryMessages(t *testing.T) {
	f := newFixture(t).start()
	f.fill(3)
	start := uint64(1)
	stream, err := pb.NewSampleServiceClient(f.conn(grpc.WithDefaultCallOptions(grpc.UseCompressor("gzip")))).Tail(t.Context(), &pb.TailRequest{StartSequence: &start})
	if err != nil {
		t.Fatal(err)
	}
	stream.Recv()
	m, err := stream.Recv()
	if err != nil || m.GetBatch() == nil || len(m.ProtoReflect().GetUnknown()) > 0 || len(m.GetBatch().ProtoReflect().GetUnknown()) > 0 {
		t.Fatalf("%v, %v", m, err)
	}
	raw, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	again := &pb.TailResponse{}
	if err := proto.Unmarshal(raw, again); err != nil || !proto.Equal(m, again) {
		t.Errorf("%v: %v", err, again)
	}
}

// checkStatus holds a failure against its code, its reason, and what its text must say.
func checkStatus(t *testing.T, err error, code codes.Code, reason, text string) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code || !strings.Contains(st.Message(), text) {
		t.Errorf("got %v, want %s with %q", err, code, text)
	}
	if got := reasonOf(st); got != reason {
		t.Errorf("%s: reason %q, want %q", st.Message(), got, reason)
	}
	if code == codes.InvalidArgument && len(fieldsOf(st)) == 0 {
		t.Errorf("%s: no field is named", st.Message())
	}
}

// nothing waits for ctx, so that a test can't hang for ever.
func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}
