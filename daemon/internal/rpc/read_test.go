package rpc

import (
	"fmt"
	"testing"

	"google.golang.org/grpc/codes"

	"soakrig/client"
	pb "soakrig/proto/soakrig/v1"
)

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
