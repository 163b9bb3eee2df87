package remotewrite

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Answers that are neither yes nor no: nothing is taken for stored, and nothing is given
// up, until somebody has put it right. None is logged more than once, and no key.
func TestStrangeAnswers(t *testing.T) {
	html := map[string]string{"Content-Type": "text/html; charset=utf-8"}
	to := func(where string) map[string]string { return map[string]string{"Location": where} }
	for name, c := range map[string]struct {
		bad  reply
		says string
	}{
		"301":                {reply{code: 301, header: to("https://elsewhere.example/api/v1/write?key=secret")}, "elsewhere.example/api/v1/write"},
		"302 to a page":      {reply{code: 302, header: to("/graph")}, "/graph"},
		"303":                {reply{code: 303, header: to("/login")}, "/login"},
		"307":                {reply{code: 307, header: to("http://elsewhere.example/")}, "elsewhere.example"},
		"308 to nowhere":     {reply{code: 308}, "308"},
		"300 and nonsense":   {reply{code: 300, header: to("%zz://")}, "300"},
		"200 with a page":    {reply{code: 200, header: html, text: "<html>log in</html>"}, "web page"},
		"401":                {reply{code: 401, text: "who are you"}, "401"},
		"405":                {reply{code: 405}, "405"},
		"407":                {reply{code: 407}, "407"},
		"408":                {reply{code: 408}, "408"},
		"429":                {reply{code: 429, header: map[string]string{"Retry-After": "99999999999999999999"}}, "429"},
		"429 a minute ago":   {reply{code: 429, header: map[string]string{"Retry-After": "-60"}}, "429"},
		"502":                {reply{code: 502, header: html, text: "<html>bad gateway"}, "502"},
		"504":                {reply{code: 504}, "504"},
		"no such connection": {reply{code: -1}, "receiver.invalid"},
	} {
		for _, window := range []time.Duration{0, 24 * time.Hour} {
			t.Run(fmt.Sprintf("%s, window %v", name, window), func(t *testing.T) {
				bubble(t, func(t *testing.T, b *bench) {
					var strange atomic.Bool
					strange.Store(true)
					r := &receiver{}
					r.answer = func(request) reply {
						if strange.Load() {
							return c.bad
						}
						return reply{code: 204}
					}
					elsewhere := 0
					via := roundTripper(func(req *http.Request) (*http.Response, error) {
						if req.Method != http.MethodPost || req.URL.Host != "receiver.invalid" || req.URL.Path != "/api/v1/write" {
							elsewhere++
							return &http.Response{StatusCode: 200, Body: io.NopCloser(strings.NewReader("")), Request: req}, nil
						}
						return r.RoundTrip(req)
					})
					log := &logText{}
					b.send(via, func(o *Options) {
						o.Window, o.URL, o.Log = window, o.URL+"?key=secret", slog.New(slog.NewTextHandler(log, nil))
						o.Headers = map[string]string{"Authorization": "Bearer secret"}
					})
					b.write(10*time.Second, 6*time.Minute)
					if st := b.s.Stats(); st.Accepted > 0 || st.Up {
						t.Errorf("%d samples count as accepted, up %v", st.Accepted, st.Up)
					}
					strange.Store(false)
					b.write(10*time.Second, 2*time.Minute)
					b.settled(20 * time.Minute)
					b.wantAll(r)
					b.wantNothingGivenUp()
					if elsewhere > 0 {
						t.Errorf("%d requests went elsewhere", elsewhere)
					}
					text := log.String()
					if strings.Contains(text, "secret") || strings.Count(text, "does not take samples") != 1 || !strings.Contains(text, c.says) {
						t.Errorf("want %q once, and no key:\n%s", c.says, text)
					}
					b.close()
				})
			})
		}
	}
}

type roundTripper func(*http.Request) (*http.Response, error)

func (f roundTripper) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// logText is a log that may be read while it is written.
type logText struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// wire is a peer at the other end of a connection, by hand: it reads a request and does
// as it likes.
type wire struct {
	r       *receiver
	answer  func(n int, c net.Conn) // to every other request, and hangs up
	behaves atomic.Bool             // all requests go to r

	n atomic.Int64
}

func (w *wire) dial(context.Context, string, string) (net.Conn, error) {
	near, far := net.Pipe()
	go w.serve(far)
	return near, nil
}

func (w *wire) serve(c net.Conn) {
	defer c.Close()
	in := bufio.NewReader(c)
	for {
		req, err := http.ReadRequest(in)
		if err != nil {
			return
		}
		body, err := io.ReadAll(req.Body)
		if err != nil {
			return
		}
		if n := w.n.Add(1); n%2 == 1 && !w.behaves.Load() {
			w.answer(int(n/2), c)
			return
		}
		req.Body = io.NopCloser(bytes.NewReader(body))
		resp, err := w.r.RoundTrip(req)
		if err != nil {
			return
		}
		if resp.Write(c) != nil {
			return
		}
	}
}

// What comes over the wire may be anything: every other answer is broken in a way of its
// own, and every sample arrives all the same.
func TestBrokenAnswers(t *testing.T) {
	hang := func(c net.Conn) { _, _ = io.Copy(io.Discard, c) } // until the sender has had enough
	broken := []struct {
		name string
		do   func(c net.Conn)
	}{
		{"closed", func(net.Conn) {}},
		{"garbage", func(c net.Conn) { _, _ = io.WriteString(c, "\x00\x01\xff\xfe garbage\r\n\r\n") }},
		{"another protocol", func(c net.Conn) { _, _ = io.WriteString(c, "SSH-2.0-OpenSSH_9.2\r\n") }},
		{"half a status line", func(c net.Conn) { _, _ = io.WriteString(c, "HTTP/1.1 20") }},
		{"a status of four digits", func(c net.Conn) { _, _ = io.WriteString(c, "HTTP/1.1 2040 Fine\r\n\r\n") }},
		{"a header without end", func(c net.Conn) {
			for range 400 {
				if _, err := io.WriteString(c, "X: "+strings.Repeat("y", 8000)+"\r\n"); err != nil {
					return
				}
			}
			hang(c)
		}},
		{"silence", hang},
		{"a refusal cut short", func(c net.Conn) {
			_, _ = io.WriteString(c, "HTTP/1.1 503 Busy\r\nContent-Length: 500\r\n\r\nonly th")
		}},
		{"broken chunks", func(c net.Conn) {
			_, _ = io.WriteString(c, "HTTP/1.1 500 Oops\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\nnot a size")
		}},
		{"a refusal without end", func(c net.Conn) {
			_, _ = io.WriteString(c, "HTTP/1.1 503 Busy\r\nContent-Length: 99999999\r\n\r\n")
			for {
				if _, err := io.WriteString(c, strings.Repeat("no ", 1000)); err != nil {
					return
				}
			}
		}},
		{"two answers at once", func(c net.Conn) {
			_, _ = io.WriteString(c, "HTTP/1.1 503 Busy\r\nContent-Length: 0\r\n\r\nHTTP/1.1 204 No Content\r\n\r\n")
		}},
	}
	for _, window := range []time.Duration{0, 24 * time.Hour} {
		t.Run(fmt.Sprint("window ", window), func(t *testing.T) {
			bubble(t, func(t *testing.T, b *bench) {
				var seen sync.Map
				w := &wire{r: &receiver{}}
				w.answer = func(n int, c net.Conn) {
					one := broken[n%len(broken)]
					seen.Store(one.name, true)
					one.do(c)
				}
				via := &http.Transport{DialContext: w.dial}
				b.send(via, func(o *Options) { o.Window, o.Timeout = window, 10*time.Second })
				b.write(2*time.Second, 25*time.Minute)
				w.behaves.Store(true)
				b.settled(30 * time.Minute)
				via.CloseIdleConnections()
				for _, one := range broken {
					if _, ok := seen.Load(one.name); !ok {
						t.Errorf("%s was not tried", one.name)
					}
				}
				b.wantAll(w.r)
				b.wantNothingGivenUp()
				b.close()
			})
		})
	}
}

// A value that is no number ends the series as a fault does; it is never sent. A layout
// with such a converter can't be stored, but one that leads there can.
func TestNoNumberIsSent(t *testing.T) {
	bubble(t, func(t *testing.T, b *bench) {
		l := benchLayout()
		l.ID, l.Channels[1].Converter.PerCode = 8, 1e308
		b.layout = l
		b.add(l)
		r := &receiver{}
		b.send(r, nil)
		b.write(time.Second, time.Minute)
		b.settled(time.Minute)
		ends := 0
		for p, bits := range r.all() {
			v := math.Float64frombits(bits)
			if bits == staleBits && strings.Contains(p.Series, `channel="vr2"`) {
				ends++
			} else if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s has the value %v", p.Series, v)
			}
		}
		if n := len(r.all()); ends != 1 || n != 3*60+1 {
			t.Errorf("%d samples, %d ends; want 180 of three channels, and the end of one", n, ends)
		}
		b.close()
	})
}
