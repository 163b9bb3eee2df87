package remotewrite

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/snappy"
)

// outcome is what a request came to.
type outcome int

const (
	accepted    outcome = iota
	refused             // something in it will never be taken: split
	tooLarge            // split
	broken              // "500": the receiver is ill, or something in it will never be taken
	unavailable         // away, busy, or not set up for us: the same again later
)

// answer is an outcome with its reason.
type answer struct {
	outcome
	after time.Duration // the receiver asked to wait this long; zero: it did not
	why   reason        // with refused, tooLarge and broken
	lost  bool          // no answer came: the samples may have been stored
	gone  bool          // the receiver may have been stopped, and what it had in memory with it
	text  string        // for the log
}

// replyKept is how much of a refusal's text is read.
const replyKept = 2048

// retryMost bounds the wait that a receiver may ask for.
const retryMost = 5 * time.Minute

// deliver sends samples, in one request, or in two when the receiver turns out not to
// know protocol 2. It sorts them.
func (s *Sender) deliver(ctx context.Context, all []sample) answer {
	a, fallBack := s.request(ctx, all, int(s.version.Load()))
	if fallBack {
		s.version.Store(1)
		s.o.Log.Warn("receiver does not store protocol 2; sending protocol 1 from now on", "receiver", s.o.Name)
		a, _ = s.request(ctx, all, 1)
	}
	s.report(a)
	if a.outcome == accepted {
		s.n.accepted.Add(uint64(len(all)))
		s.lastAccepted.Store(int64(time.Since(s.began)))
	}
	return a
}

// request makes one request. fallBack says that it has to be made again in protocol 1.
func (s *Sender) request(ctx context.Context, all []sample, version int) (a answer, fallBack bool) {
	kind, number := "application/x-protobuf", "0.1.0"
	var plain []byte
	if version == 2 {
		kind, number = "application/x-protobuf;proto=io.prometheus.write.v2.Request", "2.0.0"
		plain = encode2(nil, all)
	} else {
		plain = encode1(nil, all)
	}
	body := snappy.Encode(nil, plain)
	s.n.inFlight.Add(int64(len(plain) + len(body)))
	defer s.n.inFlight.Add(-int64(len(plain) + len(body)))
	ctx, cancel := context.WithTimeout(ctx, s.o.Timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.o.URL, bytes.NewReader(body))
	if err != nil {
		return answer{outcome: unavailable, text: err.Error()}, false
	}
	for k, v := range s.o.Headers {
		req.Header.Set(k, v)
	}
	req.Header.Set("Content-Type", kind)
	req.Header.Set("Content-Encoding", "snappy")
	req.Header.Set("User-Agent", s.o.Agent)
	req.Header.Set("X-Prometheus-Remote-Write-Version", number)
	s.n.sent.Add(uint64(len(all)))
	resp, err := s.client.Do(req)
	if err != nil {
		s.n.answers[answerError].Add(1)
		slow := errors.Is(err, context.DeadlineExceeded) // it took the connection, and no more
		return answer{outcome: unavailable, lost: true, gone: !slow, text: s.failure(err)}, false
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, replyKept)) // what can't be read of a refusal is not worth a word
	s.n.count(resp.StatusCode)
	if version == 2 && (resp.StatusCode == http.StatusUnsupportedMediaType ||
		resp.StatusCode/100 == 2 && resp.Header.Get("X-Prometheus-Remote-Write-Samples-Written") == "") {
		return answer{}, true
	}
	return judge(resp.StatusCode, resp.Header, string(text)), false
}

// failure words why no answer came. The address may hold a key, so only its host is
// said.
func (s *Sender) failure(err error) string {
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = wrapped.Err
	}
	return fmt.Sprintf("%s: %v", s.host, err)
}

// notRedirected keeps a request where it was meant to go: a client that follows makes a
// GET of it, and takes the page that it gets for success.
func notRedirected(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

// judge says what a status means.
func judge(code int, header http.Header, text string) answer {
	a := answer{outcome: unavailable, text: strings.TrimSpace(fmt.Sprintf("%d: %.200s", code, text))}
	why, named := perSample(text)
	switch {
	case code/100 == 2 && strings.HasPrefix(strings.ToLower(header.Get("Content-Type")), "text/html"):
		a.text = fmt.Sprintf("%d with a web page: the address is not that of a receiver", code)
	case code/100 == 2:
		a = answer{outcome: accepted}
	case code/100 == 3:
		a.text = fmt.Sprintf("%d: the receiver is elsewhere; set url to where it is", code)
		if to, err := url.Parse(header.Get("Location")); err == nil && to.Host+to.Path != "" {
			a.text += ", perhaps " + to.Host + to.Path
		}
	case code == http.StatusRequestEntityTooLarge:
		a.outcome, a.why = tooLarge, requestTooLarge
	case code == http.StatusTooManyRequests, code == http.StatusServiceUnavailable, code == http.StatusBadGateway, code == http.StatusGatewayTimeout:
		a.after = retryAfter(header)
		a.gone = code == http.StatusServiceUnavailable || code == http.StatusBadGateway // it is starting, or a proxy does not find it
	case code >= 500 && named: // Prometheus 2.42 answers 500 for a sample that it will never take
		a.outcome, a.why = refused, why
	case code >= 500:
		a.outcome, a.why, a.after = broken, serverError, retryAfter(header)
	case code == http.StatusUnauthorized, code == http.StatusForbidden, code == http.StatusNotFound,
		code == http.StatusMethodNotAllowed, code == http.StatusUnsupportedMediaType, code == http.StatusRequestTimeout,
		code == http.StatusProxyAuthRequired, code/100 == 1:
		// set up wrongly on one side: nothing is wrong with the samples
	default:
		a.outcome, a.why = refused, why
	}
	return a
}

// perSample reads from a refusal's text what is wrong with a sample; named is false
// when it does not say.
func perSample(text string) (why reason, named bool) {
	text = strings.ToLower(text)
	for _, known := range []struct {
		words string
		why   reason
	}{
		{"too old", refusedTooOld}, {"out of bounds", refusedTooOld}, {"out of order", refusedOrder},
		{"duplicate sample", refusedDuplicate}, {"future", refusedFuture},
	} {
		if strings.Contains(text, known.words) {
			return known.why, true
		}
	}
	return refusedOther, false
}

// retryAfter is the Retry-After of an answer, in seconds or as a date, bounded.
func retryAfter(h http.Header) time.Duration {
	v := h.Get("Retry-After")
	if v == "" {
		return 0
	}
	if n, err := strconv.ParseUint(v, 10, 32); err == nil || errors.Is(err, strconv.ErrRange) { // which gives the most
		return min(time.Duration(n)*time.Second, retryMost)
	}
	if at, err := http.ParseTime(v); err == nil {
		return min(max(time.Until(at), 0), retryMost)
	}
	return 0
}
