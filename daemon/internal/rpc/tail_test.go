package rpc

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"soakrig/client"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

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
