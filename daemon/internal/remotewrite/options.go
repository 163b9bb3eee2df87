package remotewrite

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"

	"soakrig/daemon/internal/journal"
	"soakrig/daemon/internal/rigtime"
	"soakrig/daemon/record"
)

// Options are what a Sender works with. Name, URL, Rig, Journal, Clock, Layout and
// Dir are required.
type Options struct {
	Name    string // of the receiver: a label of our own metrics, and part of the cursor's file name
	URL     string // http or https; no user information: use Headers or Client
	Version int    // of the protocol: 1, or 2 with fallback to 1; zero: 1
	Rig     string
	Labels  map[string]string // put on every series beside rig, channel and role; rig may be overridden

	Headers map[string]string // for instance Authorization
	Client  *http.Client      // for TLS; nil: http.DefaultClient's transport
	Agent   string            // User-Agent; empty: soakd

	// Window is how old a sample the receiver takes when it already has newer ones of
	// the series (Prometheus: storage.tsdb.out_of_order_time_window). Zero: it takes
	// none, and everything is sent in order, so that live readings wait behind a
	// backlog. With a window live readings are sent first, and older ones than the
	// window are counted and left to a backfill file.
	Window time.Duration

	Batch   int           // most samples of a request; zero: 2000
	Flush   time.Duration // longest wait for a batch to fill; zero: 5 s
	Timeout time.Duration // of a request; zero: 60 s
	// GiveUp is real time after which an in-order sender gives up a batch that the
	// receiver answers with "500" without ever being away; zero: 10 min.
	GiveUp time.Duration
	// SyncWait bounds the wait for a synchronised clock before the first request;
	// zero: 2 min.
	SyncWait time.Duration

	Journal *journal.Journal
	Dir     string // where the cursor is kept: the journal's folder
	Clock   rigtime.Clock
	Layout  func() *record.Layout // in force
	Log     *slog.Logger          // nil: nothing is logged
}

// liveLag is real time that live readings may be behind before the sender jumps to
// the newest ones and leaves the rest to the backlog.
const liveLag = 30 * time.Second

func (o *Options) check() error {
	var errs []error
	if !regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,31}$`).MatchString(o.Name) {
		errs = append(errs, fmt.Errorf("name %q: want 1 to 32 of a-z, 0-9, _ and -", o.Name))
	}
	u, err := url.Parse(o.URL)
	switch {
	case err != nil:
		errs = append(errs, errors.New("url: can't be read; want http:// or https:// with a host")) // what the error quotes may hold a password
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		errs = append(errs, fmt.Errorf("url with scheme %q and host %q: want http:// or https:// with a host, for instance http://prometheus:9090/api/v1/write", u.Scheme, u.Host))
	case u.User != nil:
		errs = append(errs, fmt.Errorf("url of %s: user and password do not belong in it; set an Authorization header", u.Host))
	}
	if o.Version != 0 && o.Version != 1 && o.Version != 2 {
		errs = append(errs, fmt.Errorf("version %d: want 1 or 2", o.Version))
	}
	name := regexp.MustCompile(`^[a-zA-Z_][a-zA-Z0-9_]*$`)
	for k, v := range o.Labels {
		switch {
		case !name.MatchString(k) || strings.HasPrefix(k, "__"):
			errs = append(errs, fmt.Errorf("label %q: want letters, digits and _, and no __ in front", k))
		case k == "channel" || k == "role":
			errs = append(errs, fmt.Errorf("label %q is the sender's own", k))
		case v == "":
			errs = append(errs, fmt.Errorf("label %q is empty: leave it out", k))
		}
	}
	for what, d := range map[string]time.Duration{"window": o.Window, "flush": o.Flush, "timeout": o.Timeout, "give up": o.GiveUp, "sync wait": o.SyncWait} {
		if d < 0 {
			errs = append(errs, fmt.Errorf("%s %v: must not be negative", what, d))
		}
	}
	for k, v := range o.Headers { // the value may be a secret: it is not said
		if k == "" || v == "" || strings.ContainsFunc(v, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }) {
			errs = append(errs, fmt.Errorf("header %q: want one line of text", k))
		}
	}
	if o.Batch < 0 || o.Batch > 100_000 {
		errs = append(errs, fmt.Errorf("batch %d: want 1 to 100000 samples", o.Batch))
	}
	if o.Rig == "" || o.Journal == nil || o.Dir == "" || o.Clock == nil || o.Layout == nil {
		errs = append(errs, errors.New("rig, journal, dir, clock and layout are required"))
	}
	if len(errs) > 0 {
		return fmt.Errorf("remote write to %s: %w", o.Name, errors.Join(errs...))
	}
	return nil
}

func (o *Options) fill() {
	if o.Version == 0 {
		o.Version = 1
	}
	if o.Batch == 0 {
		o.Batch = 2000
	}
	for _, d := range []struct {
		at *time.Duration
		is time.Duration
	}{{&o.Flush, 5 * time.Second}, {&o.Timeout, time.Minute}, {&o.GiveUp, 10 * time.Minute}, {&o.SyncWait, 2 * time.Minute}} {
		if *d.at == 0 {
			*d.at = d.is
		}
	}
	if o.Client == nil {
		o.Client = &http.Client{}
	}
	if o.Agent == "" {
		o.Agent = "soakd"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
}
