package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/report"
	"soakrig/daemon/record"
)

// watcher is a rig that can be followed.
type watcher interface {
	Watch(ctx context.Context, interval time.Duration, link func(client.Link), fn func(live *record.Live, ended *client.Run) error) error
	Tail(ctx context.Context, from client.Cursor, o client.TailOptions, fn func(*client.Event) error) (client.Cursor, error)
}

var _ watcher = (*client.Client)(nil)

// watchFlags are the flags of soak watch.
type watchFlags struct {
	every           lengthFlag
	untilEnd, plain bool
	output          *outputFlag
}

// watchCommand is soak watch.
func (s *session) watchCommand() *cobra.Command {
	o := watchFlags{every: 10}
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Follow the open run of each rig: one line for each probe",
		Long: `Follow the rigs: phase and progress, peak so far, rise, settling, power, a line for
each probe, warnings, and how far the stream is behind. On a terminal it is one screen
that redraws twice a second (Ctrl-C ends it); elsewhere, or with --plain, a line for
each rig every --every. -o json is one JSON object a line, -o csv one row. NO_COLOR is
honoured. It reconnects by itself.

--until-end ends when every open run has ended, and exits by the verdicts.`,
		Example: `  soak watch
  soak watch --rig bench-1 --rig bench-2
  soak watch -o json --every 1s | jq .live.peak_c`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return s.watch(cmd.Context(), o) },
	}
	o.output = addOutput(cmd)
	cmd.Flags().Var(&o.every, "every", "time between lines when there is no screen")
	cmd.Flags().BoolVar(&o.untilEnd, "until-end", false, "end with the open runs")
	cmd.Flags().BoolVar(&o.plain, "plain", false, "lines instead of a screen")
	return cmd
}

func (s *session) watch(ctx context.Context, o watchFlags) error {
	if o.every < 1 {
		return usagef("--every: want at least 1s")
	}
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	w := &watch{untilEnd: o.untilEnd, cancel: cancel}
	failed := w.followAll(ctx, rigs)
	if failed != nil && len(rigs) == 1 {
		return failed
	}
	if o.output.word == "text" && !o.plain && s.canRedraw() {
		err = s.watchScreen(ctx, w)
	} else {
		err = s.watchLines(ctx, w, o.output.word, time.Duration(float64(o.every)*float64(time.Second)))
	}
	cancel()
	w.wg.Wait()
	if o.untilEnd && err == nil {
		err = verdictExit(w.ended()...)
	}
	return errors.Join(err, failed)
}

// watch follows several rigs.
type watch struct {
	states   []*rigView
	untilEnd bool
	cancel   func()
	wg       sync.WaitGroup
}

// usualLag is how many entries a healthy stream may be behind without a word: its
// summaries come when their second is over.
const usualLag = 50

// rigView is what is known of one rig; mu guards all of it.
type rigView struct {
	mu      sync.Mutex
	name    string
	live    *record.Live
	ended   *client.Run
	order   []string // probes and ambient in the order of the layout
	values  map[string]probeView
	lag     uint64
	problem string // why there is nothing, or nothing new
	seen    bool   // the rig has said whether a run is open
}

// probeView is the newest of a channel.
type probeView struct {
	place, unit string
	role        record.Role
	last        *float64
	faulted     bool
}

// followAll follows the rigs that answer and tells which do not. Every rig has its view
// before the first stream begins: a stream that ends looks at all of them.
func (w *watch) followAll(ctx context.Context, rigs []*namedRig) (failed error) {
	for _, r := range rigs {
		v := &rigView{name: r.name, values: map[string]probeView{}}
		if r.err != nil {
			failed = errors.Join(failed, r.err)
			v.problem = r.err.Error()
		}
		w.states = append(w.states, v)
	}
	for i, r := range rigs {
		if r.err == nil {
			w.follow(ctx, r, w.states[i])
		}
	}
	return failed
}

// follow starts the two streams of a rig.
func (w *watch) follow(ctx context.Context, r *namedRig, v *rigView) {
	from, ok := r.Rig.(watcher)
	if !ok {
		v.fail(ctx, errors.New("this rig can't be watched"))
		return
	}
	link := func(l client.Link) {
		v.mu.Lock()
		defer v.mu.Unlock()
		v.lag, v.problem = l.Lag, ""
		if !l.Connected && l.Err != nil {
			v.problem = "no connection: " + l.Err.Error()
		}
	}
	w.wg.Go(func() {
		err := from.Watch(ctx, time.Second, nil, func(live *record.Live, ended *client.Run) error {
			v.mu.Lock()
			v.live, v.seen = live, true
			if ended != nil {
				v.ended = ended
			}
			v.mu.Unlock()
			w.maybeEnd()
			return nil
		})
		v.fail(ctx, err)
	})
	w.wg.Go(func() {
		_, err := from.Tail(ctx, client.Cursor{}, client.TailOptions{Interval: time.Second, Link: link}, func(e *client.Event) error {
			v.take(e)
			return nil
		})
		v.fail(ctx, err)
	})
}

func (v *rigView) fail(ctx context.Context, err error) {
	if err == nil || ctx.Err() != nil {
		return
	}
	v.mu.Lock()
	v.problem = err.Error()
	v.mu.Unlock()
}

// take takes a summary of one channel.
func (v *rigView) take(e *client.Event) {
	if e.Kind != client.KindSummary {
		return
	}
	sum := e.Summary
	c := &sum.Layout.Channels[sum.Channel]
	v.mu.Lock()
	defer v.mu.Unlock()
	if _, ok := v.values[c.Name]; !ok {
		v.order = v.order[:0]
		for i := range sum.Layout.Channels {
			v.order = append(v.order, sum.Layout.Channels[i].Name)
		}
	}
	p := probeView{place: c.Place, unit: c.Unit, role: c.Role, faulted: !sum.HasLast && sum.Faulted > 0}
	if sum.HasLast {
		last := sum.Last
		p.last = &last
	}
	v.values[c.Name] = p
}

// maybeEnd ends the watch when every rig has said that no run is open any more.
func (w *watch) maybeEnd() {
	if !w.untilEnd {
		return
	}
	for _, v := range w.states {
		v.mu.Lock()
		open := v.live != nil || !v.seen && v.problem == ""
		v.mu.Unlock()
		if open {
			return
		}
	}
	w.cancel()
}

// ended lists the results of runs that ended while watched.
func (w *watch) ended() []*record.Result {
	var out []*record.Result
	for _, v := range w.states {
		if v.ended != nil && v.ended.Result != nil {
			out = append(out, v.ended.Result)
		}
	}
	return out
}

// watchLines prints a line for each rig now and then.
func (s *session) watchLines(ctx context.Context, w *watch, form string, every time.Duration) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	if form == "csv" {
		if err := (report.Table{Head: watchHead()}).CSV(s.Stdout); err != nil {
			return err
		}
	}
	first := time.NewTimer(1500 * time.Millisecond) // the streams have said something by then
	defer first.Stop()
	for {
		select {
		case <-ctx.Done():
			return s.lines(w, form, atEnd)
		case <-first.C:
		case <-tick.C:
		}
		if err := s.lines(w, form, onTheWay); err != nil {
			return err
		}
	}
}

func watchHead() []string {
	return []string{"rig", "run", "unit", "setup", "phase", "elapsed_s", "remaining_s", "peak_c", "peak_channel", "hot_c", "hot_channel", "rise_k",
		"ambient_c", "power_w", "slope_k_per_h", "tier", "probes_good", "probes_total", "verdict_so_far", "lag_entries"}
}

// moment is when the lines of a watch are printed.
type moment bool

const (
	onTheWay moment = false
	atEnd    moment = true // a rig of which there is nothing to tell has no line
)

func (s *session) lines(w *watch, form string, when moment) error {
	for _, v := range w.states {
		v.mu.Lock()
		text, err := v.line(form, when)
		v.mu.Unlock()
		if err != nil {
			return err
		}
		if text == "" {
			continue
		}
		if _, err := fmt.Fprintln(s.Stdout, text); err != nil {
			return err
		}
	}
	return nil
}

// line is the state as one line; v.mu is held.
func (v *rigView) line(form string, when moment) (string, error) {
	switch form {
	case "json":
		b, err := json.Marshal(map[string]any{"rig": v.name, "live": v.live, "ended": v.ended, "problem": v.problem, "lag_entries": v.lag})
		return string(b), err
	case "csv":
		if v.live == nil {
			return "", nil
		}
		var b strings.Builder
		err := (report.Table{Head: v.row()}).CSV(&b)
		return strings.TrimSuffix(b.String(), "\r\n"), err
	}
	switch {
	case v.problem != "":
		return v.name + "  " + v.problem, nil
	case v.live != nil:
		return v.name + "  " + liveLine(v.live, v.lag), nil
	case v.ended != nil && v.ended.Result != nil:
		return v.name + "  " + v.ended.Start.Run + " ended: " + report.Headline(v.ended.Result), nil
	case when == atEnd:
		return "", nil
	}
	return v.name + "  no run is open", nil
}

func (v *rigView) row() []string {
	l := v.live
	n := func(p *float64) string {
		if p == nil {
			return ""
		}
		return fmt.Sprintf("%.6g", *p)
	}
	return []string{v.name, l.Run, l.Unit, l.Setup, string(l.Phase), n(&l.ElapsedS), n(l.RemainingS), n(l.PeakC), l.PeakChannel, n(l.HotC), l.HotChannel,
		n(l.RiseK), n(l.AmbientC), n(l.PowerW), n(l.SlopeKPerH), l.Tier, fmt.Sprint(l.ProbesGood), fmt.Sprint(l.ProbesTotal), string(l.VerdictSoFar), fmt.Sprint(v.lag)}
}

// liveLine is an open run in one line.
func liveLine(l *record.Live, lag uint64) string {
	parts := []string{l.Unit + " " + l.Setup, string(l.Phase) + " " + progressText(l)}
	if l.PeakC != nil {
		u := 0.0
		if l.HotExpandedK != nil {
			u = *l.HotExpandedK
		}
		parts = append(parts, fmt.Sprintf("peak %s °C on %s", report.Measured(*l.PeakC, u), l.PeakChannel))
	} else if l.HotC != nil {
		parts = append(parts, fmt.Sprintf("hottest %s °C on %s", report.Fixed(*l.HotC, 1), l.HotChannel))
	}
	if l.RiseK != nil {
		parts = append(parts, "rise "+report.Fixed(*l.RiseK, 1)+" K")
	}
	if l.PowerW != nil {
		parts = append(parts, report.Fixed(*l.PowerW, 0)+" W")
	}
	if l.SlopeKPerH != nil {
		parts = append(parts, report.Fixed(*l.SlopeKPerH, 1)+" K/h "+l.Tier)
	}
	parts = append(parts, fmt.Sprintf("%d of %d probes good", l.ProbesGood, l.ProbesTotal), verdictSoFar(l))
	for _, f := range l.Warnings {
		parts = append(parts, "! "+report.FindingText(&f))
	}
	if lag > usualLag {
		parts = append(parts, fmt.Sprintf("%d entries behind", lag))
	}
	return strings.Join(parts, "; ")
}

func progressText(l *record.Live) string {
	s := report.Length(float64(int(l.PhaseS)))
	if l.PhaseLengthS != nil && *l.PhaseLengthS > 0 {
		s += " of " + report.Length(*l.PhaseLengthS)
	}
	return s
}

func verdictSoFar(l *record.Live) string {
	if l.VerdictSoFar == record.VerdictNone || l.VerdictSoFar == "" {
		return "no verdict yet"
	}
	return string(l.VerdictSoFar) + " so far"
}
