package client

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "soakrig/proto/soakrig/v1"
)

// newer adds to a message, and to every message in it, a field that this build does not
// know, as a rig of a later minor version does.
func newer[M proto.Message](m M) M {
	grow(m.ProtoReflect())
	return m
}

func grow(m protoreflect.Message) {
	m.SetUnknown(append(m.GetUnknown(), protowire.AppendString(protowire.AppendTag(nil, 900, protowire.BytesType), "later")...))
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Kind() != protoreflect.MessageKind || fd.IsMap():
		case fd.IsList():
			for i := range v.List().Len() {
				grow(v.List().Get(i).Message())
			}
		default:
			grow(v.Message())
		}
		return true
	})
}

// TestNewerAndOlderRigs: what a later version adds is passed over in every answer, and
// kept in the pages that are kept; what an earlier one lacks is nothing.
func TestNewerAndOlderRigs(t *testing.T) {
	run := &pb.Run{Start: &pb.RunStart{Run: "r1", Unit: "carrier-7", Setup: &pb.Setup{Name: "rated"}}, State: "ended",
		Result: &pb.Result{Run: "r1", Verdict: "pass", Peak: &pb.Peak{Channel: "c", HeldC: 80}}}
	page := &pb.ReadResponse{JournalId: "j", Layouts: []*pb.Layout{hello(1).GetHello().Layout}, Batch: batchOf(3, 4, 3, 4).GetBatch()}
	s := &script{run: newer(run), pages: []*pb.ReadResponse{newer(page)}, ends: []error{final},
		streams: [][]*pb.TailResponse{{newer(hello(2)), newer(batchOf(3, 3, 3)), newer(gapOf(4, 5))}}}
	c := s.dial(t, Options{})
	if r, err := c.Get(t.Context(), "r1"); err != nil || r.Start.Setup.Name != "rated" || r.Result.Peak.HeldC != 80 {
		t.Errorf("run: %+v, %v", r, err)
	}
	kept := &shelf{}
	n := 0
	if _, err := c.Read(t.Context(), Range{From: 3, To: 4, Kept: kept}, func(*Event) error { n++; return nil }); err != nil || n != 2 {
		t.Errorf("read %d entries, %v", n, err)
	}
	if got := strings.Count(string(kept.pages[0]), "later"); got < 8 {
		t.Errorf("of what a later version added, %d fields are kept", got)
	}
	n = 0
	if _, err := c.Tail(t.Context(), Cursor{Next: 3}, TailOptions{}, func(*Event) error { n++; return nil }); !errors.Is(err, ErrDenied) || n != 2 {
		t.Errorf("followed %d events, %v", n, err)
	}

	s.run = &pb.Run{Start: &pb.RunStart{Run: "r1"}, State: "ended", Result: &pb.Result{Run: "r1"}} // of an earlier one
	if r, err := c.Get(t.Context(), "r1"); err != nil || r.Result.Peak != nil || r.Result.Load != nil || !r.Started.IsZero() {
		t.Errorf("run of an earlier version: %+v, %v", r, err)
	}
}
