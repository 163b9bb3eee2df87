package client

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "soakrig/proto/soakrig/v1"
)

// journalOfRange is a rig whose journal is 1..head, of which some is lost, and which
// fails a call whenever it is told to.
type journalOfRange struct {
	script
	head, perPage uint64
	gone          [2]uint64 // missing, inclusive

	mu    sync.Mutex
	fails map[int]error // call -> what it fails with; guarded by mu
	calls int           // guarded by mu
	asked []string      // "from+size" of each call; guarded by mu
}

func (j *journalOfRange) Read(_ context.Context, req *pb.ReadRequest) (*pb.ReadResponse, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	from := req.StartSequence
	if req.PageToken != "" {
		fmt.Sscan(req.PageToken, &from)
	}
	j.asked = append(j.asked, fmt.Sprintf("%d+%d", from, req.PageSize))
	j.calls++
	if err := j.fails[j.calls]; err != nil {
		return nil, err
	}
	resp := &pb.ReadResponse{JournalId: "j", Layouts: []*pb.Layout{hello(1).GetHello().Layout}}
	last := min(from+j.perPage-1, req.EndSequence)
	var seqs []uint64
	for seq := from; seq <= last; seq++ {
		if seq < j.gone[0] || seq > j.gone[1] {
			seqs = append(seqs, seq)
		} else if seq == max(from, j.gone[0]) {
			resp.Gaps = append(resp.Gaps, &pb.Gap{From: seq, To: min(j.gone[1], last), Cause: "retention"})
		}
	}
	resp.Batch = batchOf(from, last, seqs...).GetBatch()
	resp.Batch.Head = j.head
	if last < req.EndSequence {
		resp.NextPageToken = fmt.Sprint(last + 1)
	}
	return resp, nil
}

func (j *journalOfRange) dialAs(t *testing.T) *Client { return serve(t, j, Options{Lazy: true}) }

// fail says which calls fail from now on, counted from 1.
func (j *journalOfRange) fail(calls map[int]error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.calls, j.fails = 0, calls
}

// shelf keeps pages in memory; full: it takes no more than that.
type shelf struct {
	pages [][]byte
	full  int
}

var errFull = errors.New("no space left")

func (s *shelf) Each(fn func([]byte) error) error {
	for _, p := range s.pages {
		if err := fn(p); err != nil {
			return err
		}
	}
	return nil
}

func (s *shelf) Keep(page []byte) error {
	if s.full > 0 && len(s.pages) >= s.full {
		return errFull
	}
	s.pages = append(s.pages, slices.Clone(page))
	return nil
}

// readOnce reads 3..40 and words what came.
func readOnce(t *testing.T, j *journalOfRange, r Range, enough int) (string, ReadEnd, error) {
	t.Helper()
	j.mu.Lock()
	j.asked = nil
	j.mu.Unlock()
	r.From, r.To = 3, 40
	var got []string
	end, err := j.dialAs(t).Read(t.Context(), r, func(e *Event) error {
		if len(got) == enough {
			return errEnough
		}
		if e.Gap != nil {
			got = append(got, fmt.Sprint("gap ", e.Gap.From, "-", e.Gap.To))
		} else {
			got = append(got, fmt.Sprint(e.Seq))
		}
		return nil
	})
	return strings.Join(got, " "), end, err
}

var (
	errEnough = errors.New("enough")
	away      = status.Error(codes.Unavailable, "the line is down")
)

const wholeRange = "3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 gap 19-22 gap 23-26 27 28 29 30 31 32 33 34 35 36 37 38 39 40"

// A Read that was cut off goes on behind the last page that was kept, wherever it was
// cut; nothing is asked for twice, nothing is missing and nothing comes twice. Once all
// is kept no rig is needed.
func TestReadGoesOnBehindWhatWasKept(t *testing.T) {
	j := &journalOfRange{head: 50, perPage: 4, gone: [2]uint64{19, 26}}
	for cut := 1; cut <= 11; cut++ {
		kept := &shelf{}
		j.fail(map[int]error{cut: away})
		got, _, err := readOnce(t, j, Range{Kept: kept}, -1)
		if cut <= 10 != errors.Is(err, ErrUnreachable) || cut <= 10 && len(kept.pages) != cut-1 || !strings.HasPrefix(wholeRange, got) {
			t.Fatalf("cut at page %d: %d kept, %q, %v", cut, len(kept.pages), got, err)
		}
		got, end, err := readOnce(t, j, Range{Kept: kept}, -1)
		if err != nil || got != wholeRange || end.Cursor != (Cursor{"j", 41}) {
			t.Errorf("cut at page %d: then %q, %+v, %v", cut, got, end, err)
		}
		if want := max(10-(cut-1), 0); len(j.asked) != want || want > 0 && j.asked[0] != fmt.Sprintf("%d+0", 3+4*(cut-1)) {
			t.Errorf("cut at page %d: then asked for %v", cut, j.asked)
		}
		j.fail(map[int]error{1: away})
		if got, _, err := readOnce(t, j, Range{Kept: kept}, -1); err != nil || got != wholeRange || len(j.asked) != 0 {
			t.Errorf("without a rig: %q, %v, asked for %v", got, err, j.asked)
		}
	}
}

// Where the caller stops, and where keeping fails, is told; what is kept holds.
func TestReadTellsWhyItStopped(t *testing.T) {
	j := &journalOfRange{head: 50, perPage: 4, gone: [2]uint64{19, 26}}
	kept := &shelf{full: 2}
	got, _, err := readOnce(t, j, Range{Kept: kept}, -1)
	if !errors.Is(err, errFull) || got != "3 4 5 6 7 8 9 10" {
		t.Errorf("%q, %v", got, err)
	}
	kept.full = 0
	if got, end, err := readOnce(t, j, Range{Kept: kept}, 9); err != errEnough || got != "3 4 5 6 7 8 9 10 11" || end.Cursor.Next != 12 || j.asked[0] != "11+0" {
		t.Errorf("%q, %+v, %v, %v", got, end, err, j.asked)
	}
	kept.pages[1] = []byte{0xff}
	if got, _, err := readOnce(t, j, Range{Kept: kept}, -1); err == nil || got != "3 4 5 6" {
		t.Errorf("what can't be read: %q, %v", got, err)
	}
	if _, err := j.dialAs(t).Read(t.Context(), Range{Kept: kept}, nil); err == nil || !strings.Contains(err.Error(), "Range.To") {
		t.Errorf("without an end: %v", err)
	}
}

// A rig that is away for a while is waited for, and asked for less; other refusals and
// the caller's end are not waited for.
func TestReadWaitsForARigThatIsAway(t *testing.T) {
	j := &journalOfRange{head: 50, perPage: 4, gone: [2]uint64{19, 26}, fails: map[int]error{3: away, 4: away, 5: away}}
	got, _, err := readOnce(t, j, Range{Outage: time.Hour}, -1)
	if want := "3+0 7+0 11+0 11+2048 11+1024 11+512 15+1024 19+2048 23+4096 27+0 31+0 35+0 39+0"; err != nil || got != wholeRange || strings.Join(j.asked, " ") != want {
		t.Errorf("%q, %v; asked for %v", got, err, j.asked)
	}
	j.fail(map[int]error{2: status.Error(codes.PermissionDenied, "no")})
	if _, _, err := readOnce(t, j, Range{Outage: time.Hour}, -1); !errors.Is(err, ErrDenied) || len(j.asked) != 2 {
		t.Errorf("%v; asked for %v", err, j.asked)
	}
	ctx, cancel := context.WithCancel(t.Context())
	j.fail(map[int]error{2: away, 3: away})
	_, err = j.dialAs(t).Read(ctx, Range{From: 3, To: 40, Outage: time.Hour}, func(e *Event) error {
		if e.Seq == 6 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
