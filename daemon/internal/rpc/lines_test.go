package rpc

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/client"
	"soakrig/daemon/convert"
	"soakrig/daemon/record"
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
