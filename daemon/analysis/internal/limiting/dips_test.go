package limiting

import (
	"math"
	"testing"

	"soakrig/daemon/analysis/constants"
	"soakrig/daemon/analysis/internal/series"
)

func TestEnvelopeAndDips(t *testing.T) {
	p := &powerTrace{step: 160, raw: make([]float64, 1800)}
	for i := range p.raw {
		p.raw[i] = 200 + 0.5*math.Sin(float64(i*i%89))
		switch at := i % 300; {
		case at >= 100 && at < 110:
			p.raw[i] = 150
		case at == 200: // one second: no dip
			p.raw[i] = 100
		}
	}
	p.smooth, p.sigma = series.SlidingMedian3(p.raw), series.Noise(p.raw)
	p.findDips(constants.Default())
	if len(p.dips) != 6 {
		t.Fatalf("dips %+v", p.dips)
	}
	r := p.rhythm()
	d := p.describe(nil)
	if r.interval != 300 || r.regularity != 0 || r.length != 10 || d.Count != 6 || math.Abs(d.MeanDepthW-50) > 1 || math.Abs(d.Duty-60.0/1800) > 1e-9 {
		t.Errorf("%+v %+v", r, d)
	}
	if p.dips[0].from != 100 || p.dips[0].to != 110 {
		t.Errorf("first dip %+v", p.dips[0])
	}
	if !p.fromStart(r, 1.5) {
		t.Error("a dip after 100 s of a rhythm of 300 s is from the start")
	}
}
