package remotewrite

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

func goodOptions(t *testing.T) Options {
	j, err := journal.Open(journal.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return Options{
		Name: "lab", URL: "http://127.0.0.1:9090/api/v1/write", Rig: "bench-2", Journal: j, Dir: t.TempDir(),
		Clock: rigtime.NewElapsed(record.BootID{1}), Layout: func() *record.Layout { return nil },
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for _, c := range []struct {
		change func(*Options)
		want   string
	}{
		{func(o *Options) { o.Name = "Lab One" }, `name "Lab One": want 1 to 32`},
		{func(o *Options) { o.URL = "prometheus:9090" }, "want http:// or https://"},
		{func(o *Options) { o.URL = "http://u:secret@h/w" }, "user and password do not belong in it"},
		{func(o *Options) { o.URL = "://u:secret@h" }, "url: "},
		{func(o *Options) { o.URL = "http://u:secret@h:port/w" }, "url: "},
		{func(o *Options) { o.URL = "ftp://u:secret@h/w?key=secret" }, `scheme "ftp" and host "h"`},
		{func(o *Options) { o.URL = "http:///w" }, `host ""`},
		{func(o *Options) { o.Headers = map[string]string{"Authorization": "Bearer secret\nX: y"} }, `header "Authorization": want one line`},
		{func(o *Options) { o.Headers = map[string]string{"Authorization": ""} }, `header "Authorization": want one line`},
		{func(o *Options) { o.Version = 3 }, "version 3: want 1 or 2"},
		{func(o *Options) { o.Labels = map[string]string{"a-b": "x"} }, `label "a-b"`},
		{func(o *Options) { o.Labels = map[string]string{"__name__": "x"} }, `label "__name__"`},
		{func(o *Options) { o.Labels = map[string]string{"channel": "x"} }, "sender's own"},
		{func(o *Options) { o.Labels = map[string]string{"room": ""} }, `label "room" is empty`},
		{func(o *Options) { o.Window = -time.Second }, "window -1s"},
		{func(o *Options) { o.Batch = 1e6 }, "batch 1000000"},
		{func(o *Options) { o.Journal = nil }, "are required"},
	} {
		o := goodOptions(t)
		c.change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one with %q", err, c.want)
		}
		if _, err := New(o); err != nil && strings.Contains(err.Error(), "secret") {
			t.Errorf("the error tells the password: %v", err)
		}
	}
	if _, err := New(goodOptions(t)); err != nil {
		t.Error(err)
	}
}

func TestCollector(t *testing.T) {
	var all []*Sender
	for _, name := range []string{"lab", "site"} {
		o := goodOptions(t)
		o.Name = name
		s, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	all[0].n.accepted.Add(7)
	all[0].n.dropped[refusedOrder].Add(2)
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(all...))
	problems, err := testutil.GatherAndLint(reg)
	if err != nil || len(problems) > 0 {
		t.Errorf("%v %v", problems, err)
	}
	err = testutil.GatherAndCompare(reg, strings.NewReader(`
# HELP soakrig_remote_write_accepted_samples_total Samples that the receiver acknowledged.
# TYPE soakrig_remote_write_accepted_samples_total counter
soakrig_remote_write_accepted_samples_total{receiver="lab"} 7
soakrig_remote_write_accepted_samples_total{receiver="site"} 0
`), "soakrig_remote_write_accepted_samples_total")
	if err != nil {
		t.Error(err)
	}
	if n, err := testutil.GatherAndCount(reg, "soakrig_remote_write_dropped_samples_total"); err != nil || n != 2*int(reasons) {
		t.Errorf("%d series of given-up samples, want every reason of both receivers", n)
	}
}

func TestRetryAfterHeader(t *testing.T) {
	for v, want := range map[string]time.Duration{"": 0, "7": 7 * time.Second, "86400": retryMost, "99999999999999999999": retryMost, "-3": 0, "soon": 0, "Mon, 02 Jan 2006 15:04:05 GMT": 0} {
		if got := retryAfter(http.Header{"Retry-After": {v}}); got != want {
			t.Errorf("%q is %v, want %v", v, got, want)
		}
	}
	at := time.Now().Add(time.Hour).UTC().Format(http.TimeFormat)
	if got := retryAfter(http.Header{"Retry-After": {at}}); got != retryMost {
		t.Errorf("an hour from now is %v, want the most of %v", got, retryMost)
	}
}
