package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/remotewrite/receivertest"
	"soakrig/daemon/record"
)

// sending is a rig that sends to two receivers, all of them processes of their own.
type sending struct {
	t       *testing.T
	file    string // rig.yaml
	page    string
	journal string
	soakd   *process
	to      []*receivertest.Server
	phases  []phase
	sent    map[string]float64 // of lives of soakd that have ended
}

// phase is a part of the journal in which something was killed.
type phase struct {
	fault string
	last  uint64             // newest entry
	sent  map[string]float64 // samples sent so far, every attempt counted
}

func newSending(t *testing.T) *sending {
	s := &sending{t: t, sent: map[string]float64{}, to: []*receivertest.Server{receivertest.Prometheus(t, "4h"), receivertest.Victoria(t)}}
	remote := "remote_write:\n"
	for _, r := range s.to {
		remote += fmt.Sprintf("  - {name: %s, url: %q, window: 3h, labels: {job: soakd}}\n", r.Name, r.WriteURL())
	}
	listen := receivertest.FreePort(t)
	s.page = "http://" + listen + "/metrics"
	// Twenty times as fast as time: rig time begins in the past, where receivers take it.
	s.file = rigFile(t, 20, `http: "off"`, fmt.Sprintf("http: %q", listen), "load: [", "start: 2000-01-01T00:00:00Z, load: [", "limits: {probe: 105}\n", "limits: {probe: 105}\n"+remote)
	text, err := os.ReadFile(s.file)
	if err != nil {
		t.Fatal(err)
	}
	s.journal = regexp.MustCompile(`dir: "([^"]+)"`).FindStringSubmatch(string(text))[1]
	return s
}

// start starts soakd with the rig's clock at an instant.
func (s *sending) start(rigTime time.Time) {
	s.t.Helper()
	text, err := os.ReadFile(s.file)
	if err != nil {
		s.t.Fatal(err)
	}
	text = regexp.MustCompile(`start: [0-9TZ:-]+`).ReplaceAll(text, []byte("start: "+rigTime.UTC().Format("2006-01-02T15:04:05Z")))
	if err := os.WriteFile(s.file, text, 0o600); err != nil {
		s.t.Fatal(err)
	}
	s.soakd = startSoakd(s.t, s.file)
}

// again starts soakd after it was killed, a minute of rig time later: a fast rig is
// ahead of the world, and the times of two lives must not be the same.
func (s *sending) again(killed map[string]float64) {
	s.t.Helper()
	s.start(time.Unix(int64(killed["soakrig_rig_time_seconds"])+60, 0))
}

// kill kills soakd and gives its page of a moment before.
func (s *sending) kill() map[string]float64 {
	s.t.Helper()
	page := s.metrics()
	if page == nil {
		s.t.Fatal("soakd has no page")
	}
	if err := s.soakd.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		s.t.Fatal(err)
	}
	_ = s.soakd.cmd.Wait() // it was killed: its status says nothing
	for _, r := range s.to {
		s.sent[r.Name] += page[sentTo(r)]
	}
	return page
}

func sentTo(r *receivertest.Server) string {
	return fmt.Sprintf("soakrig_remote_write_sent_samples_total{receiver=%q}", r.Name)
}

// metrics is soakd's page; nil while there is none.
func (s *sending) metrics() map[string]float64 {
	resp, err := http.Get(s.page)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	all := map[string]float64{}
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		if name, value, ok := strings.Cut(lines.Text(), "} "); ok {
			all[name+"}"], _ = strconv.ParseFloat(value, 64) // comments have no number
		} else if name, value, ok := strings.Cut(lines.Text(), " "); ok {
			all[name], _ = strconv.ParseFloat(value, 64)
		}
	}
	return all
}

// until polls the page for a condition of every receiver.
func (s *sending) until(what string, ok func(page map[string]float64, receiver string) bool) map[string]float64 {
	s.t.Helper()
	ctx := within(s.t, 90*time.Second)
	for {
		page, all := s.metrics(), true
		for _, r := range s.to {
			all = all && page != nil && ok(page, r.Name)
		}
		if all {
			return page
		}
		select { // processes of their own have no fake clock
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
			s.t.Fatalf("not within a minute and a half: %s", what)
		}
	}
}

func value(page map[string]float64, metric, receiver string) float64 {
	return page[fmt.Sprintf("soakrig_remote_write_%s{receiver=%q}", metric, receiver)]
}

// more waits until so many more entries are in the journal.
func (s *sending) more(entries float64) {
	s.t.Helper()
	from := s.until("a page", func(map[string]float64, string) bool { return true })["soakrig_journal_head_sequence"]
	s.until("more entries", func(page map[string]float64, _ string) bool {
		return page["soakrig_journal_head_sequence"] >= from+entries
	})
}

// away waits until soakd knows that nobody listens. What waits for the receivers does not
// include the millions of numbers that a killed soakd has left empty.
func (s *sending) away() {
	s.t.Helper()
	page := s.until("both receivers count as down", func(page map[string]float64, r string) bool {
		return value(page, "up", r) == 0 && value(page, "behind_entries", r) < 500
	})
	for _, r := range s.to {
		if n, gone := value(page, "backlog_entries", r.Name), value(page, "missing_entries_total", r.Name); n > 1e5 || gone > 0 {
			s.t.Errorf("%s: %.0f entries wait and %.0f are missing", r.Name, n, gone)
		}
	}
}

// end waits until both receivers have everything, and ends the phase.
func (s *sending) end(fault string) {
	s.t.Helper()
	s.more(200)
	page := s.until("everything is sent", func(page map[string]float64, r string) bool {
		return value(page, "up", r) == 1 && value(page, "backlog_entries", r) == 0 && value(page, "behind_entries", r) < 500
	})
	sent := map[string]float64{}
	for _, r := range s.to {
		sent[r.Name] = s.sent[r.Name] + page[sentTo(r)]
	}
	s.phases = append(s.phases, phase{fault: fault, last: uint64(page["soakrig_journal_head_sequence"]), sent: sent})
}

// stored is a sample as the journal has it.
type stored struct {
	seq uint64
	receivertest.Point
	bits uint64
}

// read reads the journal's good readings, with the conversion that every reader shares
// and nothing else of the sender's.
func (s *sending) read() (all []stored) {
	s.t.Helper()
	j, err := journal.Open(journal.Options{Dir: s.journal})
	if err != nil {
		s.t.Fatal(err)
	}
	defer j.Close()
	head := j.State().Head
	r := j.NewReader(0)
	defer r.Close()
	tables := map[uint32]*convert.Table{}
	layouts := map[uint32]record.Layout{}
	for r.Seq() <= head {
		e, err := r.Next(s.t.Context())
		var gap *journal.GapError
		if errors.As(err, &gap) {
			continue
		} else if err != nil {
			s.t.Fatal(err)
		}
		switch b := e.Body.(type) {
		case *record.Layout:
			l, err := j.Layout(b.ID)
			if err != nil {
				s.t.Fatal(err)
			}
			if tables[b.ID], err = convert.New(l); err != nil {
				s.t.Fatal(err)
			}
			layouts[b.ID] = *l
		case *record.Sample:
			l := layouts[b.Layout]
			values := make([]convert.Value, len(b.Raw))
			if err := tables[b.Layout].Convert(b, values); err != nil {
				s.t.Fatal(err)
			}
			for i, v := range values {
				ch := &l.Channels[l.Sources[b.Source].Channels[i]]
				name := map[record.Kind]string{record.Temperature: "soakrig_sample_temperature_celsius", record.Power: "soakrig_sample_power_watts"}[ch.Kind]
				if v.Faults == 0 {
					p := receivertest.Point{Series: receivertest.Series(name, ch.Name, "soakd", "t", string(ch.Role)), MS: (e.At.WallNS - int64(b.Raw[i].AgeUS)*1000) / 1e6}
					all = append(all, stored{e.Seq, p, math.Float64bits(v.Value)})
				}
			}
		}
	}
	return all
}

// acknowledged is the number up to which a receiver has acknowledged everything.
func (s *sending) acknowledged(r *receivertest.Server) uint64 {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.journal, "remote-write-"+r.Name+".json"))
	if err != nil {
		s.t.Fatal(err)
	}
	var c struct {
		Live  uint64 `json:",string"`
		Holes []any
	}
	if err := json.Unmarshal(text, &c); err != nil || len(c.Holes) > 0 {
		s.t.Fatalf("%v: %s", err, text)
	}
	return c.Live
}

// compare compares every sample of the journal with what a receiver has of it, phase by
// phase. Samples that a killed soakd had sent and not yet made durable are in no journal;
// they are at the receiver only.
func (s *sending) compare(all []stored, r *receivertest.Server) {
	s.t.Helper()
	next := s.acknowledged(r)
	want := make([]map[receivertest.Point]uint64, len(s.phases))
	every := map[receivertest.Point]uint64{}
	for i := range want {
		want[i] = map[receivertest.Point]uint64{}
	}
	for _, x := range all {
		every[x.Point] = x.bits
		for i, p := range s.phases {
			if x.seq <= p.last {
				if x.seq < next {
					want[i][x.Point] = x.bits
				}
				break
			}
		}
	}
	got := r.Stored()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); got = r.Stored() { // a server may show a sample seconds after it has acknowledged it
		lacks := 0
		for i := range want {
			missing, _, _ := receivertest.Compare(want[i], got)
			lacks += missing
		}
		if lacks == 0 {
			break
		}
		time.Sleep(200 * time.Millisecond)
	}
	sentBefore := 0.0
	for i, p := range s.phases {
		missing, altered, _ := receivertest.Compare(want[i], got)
		s.t.Logf("%-16s %-42s journal %6d  sent %6.0f  stored %6d  missing %d  altered %d", r.Name, p.fault, len(want[i]), p.sent[r.Name]-sentBefore, len(want[i])-missing, missing, altered)
		sentBefore = p.sent[r.Name]
		if missing+altered > 0 || len(want[i]) < 500 {
			s.t.Errorf("%s, %s: of %d samples %d are missing and %d altered", r.Name, p.fault, len(want[i]), missing, altered)
		}
	}
	_, _, ahead := receivertest.Compare(every, got)
	s.t.Logf("%-16s %d samples were sent and then lost by a killed soakd", r.Name, ahead)
	if ahead > 3*1000 { // three kills, each before the second that takes to be durable
		s.t.Errorf("%s has %d samples that the journal does not have", r.Name, ahead)
	}
}

// TestReceiversMissNothing kills the receivers, soakd, and all of them, while samples
// are sent and while a backlog is. Then every sample of the journal is looked up in a
// Prometheus and a VictoriaMetrics: none is missing, none has another value.
func TestReceiversMissNothing(t *testing.T) {
	s := newSending(t)
	s.start(time.Now().Add(-2 * time.Hour))
	s.end("nothing is killed")

	for _, r := range s.to {
		r.Kill()
	}
	s.away()
	s.more(250)
	for _, r := range s.to {
		r.Start()
	}
	s.end("receivers killed and started again")

	s.again(s.kill())
	s.end("soakd killed and started again")

	for _, r := range s.to {
		r.Kill()
	}
	s.again(s.kill())
	s.away()
	s.more(250)
	for _, r := range s.to {
		r.Start()
	}
	s.until("some of the backlog is sent", func(page map[string]float64, r string) bool { return value(page, "up", r) == 1 })
	s.again(s.kill())
	s.end("both killed, soakd again in the backlog")

	if err := s.soakd.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	_ = s.soakd.cmd.Wait() // it was told to stop
	all := s.read()
	for _, r := range s.to {
		s.compare(all, r)
	}
}
