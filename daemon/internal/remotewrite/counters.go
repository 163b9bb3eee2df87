package remotewrite

import (
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"
)

// reason is why samples were given up. The set is closed.
type reason int

const (
	tooOld reason = iota // older than the window before they were sent
	refusedTooOld
	refusedOrder
	refusedRepeat // out of order, after an attempt whose answer was lost: most likely it was stored then
	refusedDuplicate
	refusedFuture
	refusedOther
	requestTooLarge
	serverError
	noLayout
	notConvertible
	reasons // how many there are
)

func (r reason) String() string {
	return [reasons]string{
		"older_than_window", "refused_too_old", "refused_out_of_order", "refused_repeat", "refused_duplicate", "refused_future",
		"refused_other", "too_large", "server_error", "no_layout", "not_convertible",
	}[r]
}

// kinds of answers.
const (
	answer2xx = iota
	answer3xx
	answer4xx
	answer429
	answer5xx
	answerError // none came
	answers
)

// counters of one receiver.
type counters struct {
	sent, accepted atomic.Uint64 // samples; sent counts those of every attempt
	dropped        [reasons]atomic.Uint64
	answers        [answers]atomic.Uint64
	missing        atomic.Uint64 // entries that the journal did not have any more
	unsaved        atomic.Uint64 // cursors that could not be written
	inFlight       atomic.Int64  // bytes of requests being made
}

func (c *counters) count(code int) {
	switch {
	case code == 429:
		c.answers[answer429].Add(1)
	case code/100 == 2:
		c.answers[answer2xx].Add(1)
	case code/100 == 3:
		c.answers[answer3xx].Add(1)
	case code/100 == 4:
		c.answers[answer4xx].Add(1)
	default:
		c.answers[answer5xx].Add(1)
	}
}

// Stats is the state of a receiver.
type Stats struct {
	Receiver string
	Up       bool              // the newest request was accepted
	Sent     uint64            // samples sent, every attempt counted
	Accepted uint64            // samples that the receiver acknowledged
	Dropped  map[string]uint64 // samples given up, by reason: the whole closed set
	Answers  map[string]uint64 // requests by kind of answer
	Missing  uint64            // entries that the journal did not have any more
	Unsaved  uint64            // cursors that could not be written
	InFlight int64             // bytes of requests being made
	Behind   uint64            // entries between what was sent live and the journal's head
	Backlog  uint64            // entries that wait behind the live ones
	Version  int               // of the protocol in use
}

// Stats may be called concurrently. It touches no disk.
func (s *Sender) Stats() Stats {
	st := Stats{
		Receiver: s.o.Name, Up: s.up.Load(), Sent: s.n.sent.Load(), Accepted: s.n.accepted.Load(),
		Dropped: map[string]uint64{}, Answers: map[string]uint64{}, Missing: s.n.missing.Load(), Unsaved: s.n.unsaved.Load(),
		InFlight: s.n.inFlight.Load(), Backlog: s.cursor.backlog(), Version: int(s.version.Load()),
	}
	for r := range reasons {
		st.Dropped[r.String()] = s.n.dropped[r].Load()
	}
	for i, word := range [answers]string{"2xx", "3xx", "4xx", "429", "5xx", "none"} {
		st.Answers[word] = s.n.answers[i].Load()
	}
	if head, next := s.o.Journal.State().Head, s.cursor.live(); head >= next {
		st.Behind = head - next + 1
	}
	return st
}

// collector puts the state of receivers on a page.
type collector struct {
	senders []*Sender

	up, sent, accepted, dropped, requests, missing, unsaved, inFlight, behind, backlog, version *prometheus.Desc
}

// NewCollector puts the state of the senders on a metrics page.
func NewCollector(senders ...*Sender) prometheus.Collector {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("soakrig_remote_write_"+name, help, append([]string{"receiver"}, labels...), nil)
	}
	return &collector{
		senders:  senders,
		up:       desc("up", "Whether the newest request was accepted."),
		sent:     desc("sent_samples_total", "Samples sent, every attempt counted."),
		accepted: desc("accepted_samples_total", "Samples that the receiver acknowledged."),
		dropped:  desc("dropped_samples_total", "Samples given up, by reason; those older than the window can be backfilled from an export.", "reason"),
		requests: desc("requests_total", "Requests by kind of answer.", "answer"),
		missing:  desc("missing_entries_total", "Entries that the journal did not have any more when their turn came."),
		unsaved:  desc("unsaved_cursors_total", "Times that what was acknowledged could not be written to disk; after a restart it would be sent again."),
		inFlight: desc("in_flight_bytes", "Memory of the requests being made."),
		behind:   desc("behind_entries", "Entries between what was sent live and the head of the journal."),
		backlog:  desc("backlog_entries", "Entries that wait behind the live ones."),
		version:  desc("protocol_version", "Version of the protocol in use."),
	}
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.up, c.sent, c.accepted, c.dropped, c.requests, c.missing, c.unsaved, c.inFlight, c.behind, c.backlog, c.version} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	for _, s := range c.senders {
		st := s.Stats()
		gauge := func(d *prometheus.Desc, v float64) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, st.Receiver)
		}
		count := func(d *prometheus.Desc, v uint64, labels ...string) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), append([]string{st.Receiver}, labels...)...)
		}
		up := 0.0
		if st.Up {
			up = 1
		}
		gauge(c.up, up)
		count(c.sent, st.Sent)
		count(c.accepted, st.Accepted)
		for why, n := range st.Dropped {
			count(c.dropped, n, why)
		}
		for word, n := range st.Answers {
			count(c.requests, n, word)
		}
		count(c.missing, st.Missing)
		count(c.unsaved, st.Unsaved)
		gauge(c.inFlight, float64(st.InFlight))
		gauge(c.behind, float64(st.Behind))
		gauge(c.backlog, float64(st.Backlog))
		gauge(c.version, float64(st.Version))
	}
}
