package speed

import (
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"
	"text/tabwriter"
	"time"
)

// startupMB is the size of the journal whose opening is measured.
var startupMB = flag.Int("speed.startup-mb", 64, "size of the journal that start-up is measured with, in MB")

// row is one line of the table.
type row struct {
	key    string // in the names of the benchmark's figures; empty in its first row
	what   string
	unit   string
	ours   float64
	limit  float64 // NaN: there is none
	of     string  // what the limit is
	ratio  float64 // ours/limit, for rates as for times; NaN: there is no limit
	allocs float64 // per unit of work, of the whole process; NaN: not counted
	budget string  // empty: none is set
	met    bool
}

var none = math.NaN()

// rows are those that have been measured, in order.
var rows []row

// put reports a row to the benchmark and keeps it for the table.
func put(b *testing.B, r row) {
	b.Helper()
	r.ratio = r.ours / r.limit
	name := strings.ReplaceAll(r.unit, " ", "-")
	if r.key != "" {
		name = r.key + "-" + name
	}
	b.ReportMetric(0, "ns/op") // of a round of everything: says nothing
	b.ReportMetric(r.ours, "ours-"+name)
	if !math.IsNaN(r.limit) {
		b.ReportMetric(r.limit, "limit-"+name)
		b.ReportMetric(r.ratio, strings.TrimPrefix(r.key+"-ratio", "-"))
	}
	if !math.IsNaN(r.allocs) {
		b.ReportMetric(r.allocs, strings.TrimPrefix(r.key+"-allocs", "-"))
	}
	for i := range rows {
		if rows[i].what == r.what { // -count: the newest
			rows[i] = r
			return
		}
	}
	rows = append(rows, r)
}

func TestMain(m *testing.M) {
	code := m.Run()
	if len(rows) > 0 {
		fmt.Println()
		printTable()
	}
	os.Exit(code)
}

// printTable prints the rows as a Markdown table.
func printTable() {
	fmt.Printf("%s/%s, %d CPUs, %s, %s\n\n", runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), cpuModel(), runtime.Version())
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 1, ' ', 0)
	fmt.Fprintln(w, "| what\t| ours\t| limit\t| limit is\t| ratio\t| allocs\t| budget\t| met\t|")
	fmt.Fprintln(w, "|---\t|---\t|---\t|---\t|---\t|---\t|---\t|---\t|")
	for _, r := range rows {
		met := map[bool]string{true: "met", false: "NOT MET"}[r.met]
		if r.budget == "" {
			met = "-"
		}
		fmt.Fprintf(w, "| %s\t| %s %s\t| %s\t| %s\t| %s\t| %s\t| %s\t| %s\t|\n",
			r.what, number(r.ours), r.unit, number(r.limit), r.of, number(r.ratio), number(r.allocs), r.budget, met)
	}
	w.Flush()
}

func number(v float64) string {
	switch {
	case math.IsNaN(v):
		return "-"
	case v == 0:
		return "0"
	case math.Abs(v) >= 1e4:
		return fmt.Sprintf("%.0f", v)
	case math.Abs(v) < 0.01:
		return fmt.Sprintf("%.1e", v)
	}
	return fmt.Sprintf("%.3g", v)
}

func cpuModel() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return "processor not known"
	}
	for line := range strings.Lines(string(text)) {
		if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
			return strings.TrimSpace(value)
		}
	}
	return "processor not named"
}

// pair is the best of the rounds on both sides, in seconds.
type pair struct{ ours, limit float64 }

func newPair() pair { return pair{math.Inf(1), math.Inf(1)} }

// round takes both sides in turn, so that both see the same machine.
func (p *pair) round(ours, limit func()) {
	p.ours = min(p.ours, seconds(ours))
	p.limit = min(p.limit, seconds(limit))
}

func seconds(f func()) float64 {
	began := time.Now()
	f()
	return time.Since(began).Seconds()
}

// mallocs counts the allocations of the whole process while f runs.
func mallocs(f func()) float64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return float64(after.Mallocs - before.Mallocs)
}
