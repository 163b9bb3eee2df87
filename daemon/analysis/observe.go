package analysis

import (
	"fmt"
	"math"
	"time"

	"soakrig/daemon/analysis/internal/series"
	"soakrig/daemon/record"
)

// Channel is one channel as the analysis sees it.
type Channel struct {
	Name  string
	Place string
	Unit  string // degC, W, J, ...
	Kind  record.Kind
	Role  record.Role
	// Budget gives the uncertainty lines of a value of this channel. Nil: nothing is
	// stated, and the general figure of the constants is used and said.
	Budget func(value float64) []record.BudgetLine
	// Modulus is where an energy counter starts again from 0, in Unit; zero: it does not.
	Modulus float64
	// CountedHere: the counter is the recorder's own and misses what happens while
	// nothing is recorded.
	CountedHere bool
}

// Input is what is known when a run opens.
type Input struct {
	Rig      string
	Start    record.RunStart
	Started  time.Time // wall time of run time zero; zero: not known
	Channels []Channel
	Settings map[string]string // copied to the result
}

// Observation is one reading. AtS is run time in seconds and does not fall from
// one observation of a channel to the next. With Faults, Value means nothing.
type Observation struct {
	AtS     float64
	Channel int // index into Input.Channels
	Value   float64
	Faults  record.Faults
}

const (
	cellReadings = 64 // readings of one second that count for its median
	ringRows     = 512
	longestRunS  = 60 * 86400
	faultBits    = 32
)

// cell is one second of one channel, sealed.
type cell struct {
	v, mean, max float64 // median, mean and highest of the good readings; absent without any
	good, bad    uint16
	stride       uint16 // usual distance between seconds with a value, as known then
}

// open is one second of one channel that still takes readings.
type open struct {
	second int64
	good   uint16
	bad    uint16
	kept   int
	sum    float64
	max    float64
	vals   [cellReadings]float64
}

// row is one sealed second of all channels.
type row struct {
	second  int64
	ambient float64 // low-passed room, absent before its first value
	cells   []cell
}

// grid gathers observations into seconds and seals them in order.
type grid struct {
	channels int
	lag      int64
	open     [][]open // per channel, by second modulo openCells
	strides  []strider
	faults   [][faultBits]int
	repeats  []repeat

	begun      bool
	first      float64 // AtS of the first observation
	last       float64 // highest AtS
	next       int64   // next second to seal
	lastSecond int64   // newest second with an observation
	late       int     // observations of seconds sealed before they came
	refused    int     // observations at impossible times or of impossible values
}

// repeat counts how long a channel has given exactly the same value.
type repeat struct {
	v         float64
	since     float64
	count     int
	changes   int
	longest   float64
	longestAt float64
	smallest  float64 // smallest change seen: the resolution
}

func newGrid(channels int, lagS float64) grid {
	g := grid{channels: channels, lag: int64(lagS), strides: make([]strider, channels),
		faults: make([][faultBits]int, channels), repeats: make([]repeat, channels)}
	g.open = make([][]open, channels)
	for i := range g.open {
		g.open[i] = make([]open, int(lagS)+3)
		for j := range g.open[i] {
			g.open[i][j].second = math.MinInt64
		}
	}
	return g
}

// begin fixes the first second. A recording whose time column does not start near
// zero starts at its first row.
func (g *grid) begin(atS float64) {
	g.begun, g.first, g.last, g.lastSecond = true, atS, atS, math.MinInt64
	if atS < 0 || atS >= 3600 {
		g.next = int64(math.Floor(atS))
	}
}

// take files an observation; its second is not yet sealed.
func (g *grid) take(o Observation) {
	second := int64(math.Floor(o.AtS))
	if second < g.next {
		g.late++
		return
	}
	g.lastSecond = max(g.lastSecond, second)
	cells := g.open[o.Channel]
	c := &cells[uint64(second-math.MinInt64)%uint64(len(cells))]
	if c.second != second {
		c.second, c.good, c.bad, c.kept, c.sum, c.max = second, 0, 0, 0, 0, math.Inf(-1)
	}
	if o.Faults != 0 {
		c.bad++
		f := &g.faults[o.Channel]
		for bits, i := o.Faults, 0; bits != 0; bits, i = bits>>1, i+1 {
			if bits&1 != 0 {
				f[i]++
			}
		}
		return
	}
	c.good++
	c.sum += o.Value
	c.max = max(c.max, o.Value)
	if c.kept < cellReadings {
		c.vals[c.kept] = o.Value
		c.kept++
	}
	g.repeats[o.Channel].push(o.AtS, o.Value)
}

func (r *repeat) push(atS, v float64) {
	if r.count > 0 && v == r.v {
		r.count++
		if d := atS - r.since; d > r.longest {
			r.longest, r.longestAt = d, r.since
		}
		return
	}
	if r.count > 0 {
		r.changes++
		if d := math.Abs(v - r.v); r.smallest == 0 || d < r.smallest {
			r.smallest = d
		}
	}
	r.v, r.since, r.count = v, atS, 1
}

// seal closes the next second into cells.
func (g *grid) seal(cells []cell) int64 {
	second := g.next
	g.next++
	for ch := range cells {
		ring := g.open[ch]
		o := &ring[uint64(second-math.MinInt64)%uint64(len(ring))]
		c := cell{v: series.Absent(), mean: series.Absent(), max: series.Absent(), stride: uint16(max(g.strides[ch].median, 1))}
		if o.second == second {
			c.good, c.bad = o.good, o.bad
			if o.good > 0 {
				c.stride = uint16(g.strides[ch].push(second))
				c.v = series.MedianInPlace(o.vals[:o.kept])
				c.mean, c.max = o.sum/float64(o.good), o.max
			}
		}
		cells[ch] = c
	}
	return second
}

// roles are the channels that play a part.
type roles struct {
	probes  []int
	ambient int // -1: none; likewise below
	intake  int
	power   int
	energy  int
}

func findRoles(channels []Channel) roles {
	r := roles{ambient: -1, intake: -1, power: -1, energy: -1}
	take := func(at *int, i int) {
		if *at < 0 {
			*at = i
		}
	}
	for i, c := range channels {
		switch {
		case c.Kind == record.Temperature && c.Role == record.RoleProbe:
			r.probes = append(r.probes, i)
		case c.Kind == record.Temperature && c.Role == record.RoleAmbient:
			take(&r.ambient, i)
		case c.Kind == record.Temperature && c.Role == record.RoleIntake:
			take(&r.intake, i)
		case c.Kind == record.Power && c.Role == record.RoleSupply:
			take(&r.power, i)
		case c.Kind == record.Energy && c.Role == record.RoleSupply:
			take(&r.energy, i)
		}
	}
	if r.ambient < 0 {
		r.ambient = r.intake
	}
	return r
}

// checkInput says what is wrong with an input; nil: nothing.
func checkInput(in Input) error {
	if len(in.Channels) == 0 {
		return fmt.Errorf("run %s: there are no channels to judge", in.Start.Run)
	}
	seen := make(map[string]bool)
	for i, c := range in.Channels {
		switch {
		case c.Name == "":
			return fmt.Errorf("run %s: channel %d has no name", in.Start.Run, i+1)
		case seen[c.Name]:
			return fmt.Errorf("run %s: two channels are called %q", in.Start.Run, c.Name)
		}
		seen[c.Name] = true
	}
	return CheckPlan(in.Start.Plan, in.Channels)
}
