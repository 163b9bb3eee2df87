package metrics

import (
	"cmp"
	"fmt"
	"math"
	"runtime/debug"
	"slices"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// scrape is the points of one page, in memory that is used again for the next one.
type scrape struct {
	points   []point
	labels   arena
	families []dto.MetricFamily // every family of the page, in the order of names
	all      []*dto.MetricFamily
}

func (s *scrape) add(f *family, value float64, values ...string) {
	s.put(f, s.labels.pairs(f, values), value)
}

// put adds a point. What is no number is no value.
func (s *scrape) put(f *family, labels []*dto.LabelPair, value float64) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	s.points = append(s.points, point{family: f, labels: labels, value: value})
}

// reset makes it ready for another page.
func (s *scrape) reset() {
	clear(s.points)
	s.points, s.labels.used = s.points[:0], 0
}

// fill sorts the points into families, and gives those that have any.
func (s *scrape) fill(f *families) []*dto.MetricFamily {
	if s.families == nil {
		s.families = f.messages()
	}
	for i := range s.families {
		s.families[i].Metric = s.families[i].Metric[:0]
	}
	for i := range s.points {
		p := &s.points[i]
		_ = p.Write(&p.metric) // it can't fail
		to := &s.families[p.family.index]
		to.Metric = append(to.Metric, &p.metric)
	}
	s.all = s.all[:0]
	for i := range s.families {
		one := &s.families[i]
		if len(one.Metric) == 0 {
			continue
		}
		if !slices.IsSortedFunc(one.Metric, byLabels) { // channels may stand in any order
			slices.SortFunc(one.Metric, byLabels)
		}
		s.all = append(s.all, one)
	}
	return s.all
}

// byLabels is the order of the values of one family's labels.
func byLabels(a, b *dto.Metric) int {
	return slices.CompareFunc(a.Label, b.Label, func(a, b *dto.LabelPair) int {
		if a == b {
			return 0
		}
		return cmp.Compare(*a.Value, *b.Value)
	})
}

// messages are the families as a page has them, without points.
func (f *families) messages() []dto.MetricFamily {
	all := make([]dto.MetricFamily, len(f.all))
	for _, from := range f.all {
		kind := dto.MetricType_GAUGE
		if from.counter {
			kind = dto.MetricType_COUNTER
		}
		to := &all[from.index]
		to.Name, to.Help, to.Type = &from.name, &from.help, &kind
		if from.unit != "" {
			to.Unit = &from.unit
		}
	}
	return all
}

// gatherer puts our own families between those of the other collectors. It does what
// the registry would do with the collector, which is registered with one too, but for
// the registry's checks of every point at every scrape: those are most of its time, and
// hold for a layout once they were made in a test.
type gatherer struct {
	m    *Metrics
	rest prometheus.Gatherer
	pool sync.Pool // of *scrape
}

var _ prometheus.TransactionalGatherer = (*gatherer)(nil)

// Gather implements prometheus.TransactionalGatherer. Of a page that can't be made the
// rest is given, with the error.
func (g *gatherer) Gather() (all []*dto.MetricFamily, done func(), err error) {
	rest, err := g.rest.Gather()
	s, _ := g.pool.Get().(*scrape)
	if s == nil {
		s = &scrape{}
	}
	ours, problem := g.ours(s)
	if problem != nil { // what it has left behind is not used again
		return rest, func() {}, problem
	}
	all = slices.Concat(ours, rest)
	slices.SortFunc(all, func(a, b *dto.MetricFamily) int { return cmp.Compare(a.GetName(), b.GetName()) })
	return all, func() { s.reset(); g.pool.Put(s) }, err
}

func (g *gatherer) ours(s *scrape) (all []*dto.MetricFamily, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("metrics: the page was not made: %v\n%s", r, debug.Stack())
		}
	}()
	g.m.points(s)
	return s.fill(g.m.f), nil
}
