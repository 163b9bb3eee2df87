package speed

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"text/tabwriter"

	"soakrig/daemon/internal/journal"
)

// cost is one figure of a rig of some width or a run of some length.
type cost struct {
	what, unit string
	figure     float64
}

// BenchmarkGrowth prints how each row's cost grows with channels and with hours. It
// measures and does not judge; -benchtime 3x takes the best of three.
func BenchmarkGrowth(b *testing.B) {
	b.Run("channels", func(b *testing.B) {
		widths := []int{1, 4, 16, 64}
		all := make([][]cost, len(widths))
		for i, n := range widths {
			all[i] = []cost{growStream(b, n), growCommit(b, n)}
			all[i] = append(all[i], growReplay(b, n)...)
			all[i] = append(all[i], growPage(b, n))
			all[i] = append(all[i], growNight(b, 1, n)...) // a run of one hour
		}
		printGrowth("channels", widths, all)
	})
	b.Run("hours", func(b *testing.B) {
		lengths := []int{1, 8, 64}
		all := make([][]cost, len(lengths))
		for i, h := range lengths {
			all[i] = growNight(b, h, 10)
		}
		printGrowth("hours of 10 channels at 10 Hz", lengths, all)
	})
}

// best is the shortest of the rounds.
func best(b *testing.B, f func() float64) float64 {
	s := f()
	for range b.N - 1 {
		s = min(s, f())
	}
	return s
}

// growStream is one sample from acquisition to a subscriber that only receives.
func growStream(b *testing.B, channels int) cost {
	const scans = 30_000
	s := best(b, func() float64 {
		s, _ := live(b, scans, channels, 1, discard)
		return s
	})
	return cost{"acquire, journal, stream, per sample", "us", s / scans * 1e6}
}

// growCommit is the median of commits of ten scans.
func growCommit(b *testing.B, channels int) cost {
	c := newCommitting(b, channels)
	defer c.close()
	for range 600 {
		c.round()
	}
	s := best(b, func() float64 {
		c.ours = c.ours[:0]
		for range 256 {
			c.round()
		}
		return median(c.ours)
	})
	return cost{"commit of 10 scans, p50", "us", s * 1e6}
}

// growReplay is a sealed journal read from disk, and what a value takes in it.
func growReplay(b *testing.B, channels int) []cost {
	const scans = 100_000
	dir := b.TempDir()
	fill(b, dir, scans, channels)
	report, err := journal.Inspect(dir)
	if err != nil {
		b.Fatal(err)
	}
	j, err := journal.Open(journal.Options{Dir: dir, Ballast: -1})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	s := best(b, func() float64 {
		return seconds(func() {
			r := j.NewReader(1)
			defer r.Close()
			for range scans {
				if _, err := r.Next(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
		})
	})
	return []cost{
		{"replay from disk, per scan", "ns", s / scans * 1e9},
		{"stored value once sealed", "B", report.BytesPerValue},
	}
}

// growPage is a scrape.
func growPage(b *testing.B, channels int) cost {
	h := page(b, max(channels/8, 1), min(channels, 8))
	s := best(b, func() float64 {
		s := 1.0
		for range 20 {
			s = min(s, seconds(func() { scrape(h) }))
		}
		return s
	})
	return cost{"/metrics", "us", s * 1e6}
}

// growNight is a run judged again from the journal, its size there, and a daemon's
// start on that journal.
func growNight(b *testing.B, hours, channels int) []cost {
	dir := b.TempDir()
	n := newNight(b, dir, hours*36000, channels)
	var allocated float64
	s := best(b, func() float64 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		s := seconds(func() { n.evaluate() })
		runtime.ReadMemStats(&after)
		allocated = float64(after.TotalAlloc-before.TotalAlloc) / 1e6
		return s
	})
	if err := n.j.Close(); err != nil {
		b.Fatal(err)
	}
	mb := float64(size(b, dir)) / 1e6
	started := best(b, func() float64 { return ready(b, dir) })
	return []cost{
		{"re-evaluation of the run", "ms", s * 1e3},
		{"allocated meanwhile", "MB", allocated},
		{"journal files", "MB", mb},
		{"start to READY on that journal", "ms", started * 1e3},
	}
}

func printGrowth(by string, sizes []int, all [][]cost) {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 1, ' ', 0)
	head, rule := "| "+by+"\t|", "|---\t|"
	for _, n := range sizes {
		head += fmt.Sprintf(" %d\t|", n)
		rule += "---\t|"
	}
	fmt.Fprintf(w, "\n%s last two\t|\n%s---\t|\n", head, rule)
	for row := range all[0] {
		var line strings.Builder
		fmt.Fprintf(&line, "| %s, %s\t|", all[0][row].what, all[0][row].unit)
		for i := range sizes {
			fmt.Fprintf(&line, " %s\t|", number(all[i][row].figure))
		}
		last := len(sizes) - 1
		fmt.Fprintf(w, "%s x %s\t|\n", &line, number(all[last][row].figure/all[last-1][row].figure))
	}
	w.Flush()
}
