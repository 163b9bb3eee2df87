package main

import (
	"time"

	"soakrig/drivers/simrig"
)

// The scenario is invented: a maker that does not exist builds four power-stage
// carriers for compute modules, and a lab with three rigs soaks each at a rated and a
// boosted power setting. No name, figure or room here is a measurement.
const scenario = `Four power-stage carriers of an imaginary maker, each at a rated and a boosted
power setting, on three simulated rigs. One limits itself, one loses a probe, one is
revised and soaked again. Names, figures and room are invented.`

// campaignYAML is what the lab wants done.
const campaignYAML = `campaign: "Carriers for compute modules (simulated)"
units: [quill-8, tansy-8, wicket-8, yarrow-8]
setups: [rated, boosted]
conditions: {enclosure: "closed, size M", fans: three at 900 rpm}
`

// job is one run of the campaign.
type job struct {
	bench string
	unit  string
	// revision of the unit; empty: it has none.
	revision string
	setup    string
	model    simrig.UnitOpts
}

// Loads at the wall, W.
const (
	ratedW   = 260
	boostedW = 345
)

// limitC is what every run is judged by.
const limitC = 105.0

// carrier is one unit: how well its stages are cooled and how much they lose.
type carrier struct {
	name    string
	kPerW   []float64 // stage to heatsink, K/W
	sink    float64   // heatsink to enclosure, K/W
	loss    float64   // quadratic loss, 1/W
	limiter simrig.Limiter
}

func carriers() []carrier {
	return []carrier{
		{"quill-8", []float64{4.9, 5.3, 5.8, 6.1, 6.4, 6.0, 5.5, 5.0}, 0.80, 0.00022, simrig.Limiter{}},
		{"tansy-8", []float64{5.9, 6.6, 7.2, 7.9, 8.1, 7.5, 6.8, 6.1}, 0.95, 0.00030, simrig.Limiter{}},
		// wicket-8 protects itself: it takes power away so that its hottest stage stays put.
		{"wicket-8", []float64{6.4, 7.0, 8.2, 9.0, 8.8, 7.9, 7.1, 6.6}, 1.00, 0.00029, simrig.Limiter{Kind: "hold", Sense: "hottest", AtC: 97, Cut: 0.35}},
		{"yarrow-8", []float64{5.4, 6.0, 6.5, 6.9, 7.3, 6.8, 6.2, 5.6}, 0.88, 0.00024, simrig.Limiter{}},
	}
}

// lostProbe is the bead that lets go in the boosted run of yarrow-8: behind its
// hottest stage, well into the load.
func lostProbe() simrig.Fault {
	return simrig.Fault{Kind: "detached", Place: "stage 5", From: "load", At: 38 * time.Minute, Value: 0.05}
}

func (c carrier) model(setup string) simrig.UnitOpts {
	u := simrig.DefaultUnit()
	u.Name = c.name + " " + setup
	u.LoadWallW = ratedW
	if setup == "boosted" {
		u.LoadWallW = boostedW
	}
	u.Stages = nil
	for _, k := range c.kPerW {
		u.Stages = append(u.Stages, simrig.Stage{KPerW: k, Share: 1})
	}
	u.Sink.KPerW = c.sink
	u.Loss.Quadratic = c.loss
	if c.limiter.Kind != "" {
		u.Limiter = c.limiter
	}
	if c.name == "yarrow-8" && setup == "boosted" {
		u.Faults = []simrig.Fault{lostProbe()}
	}
	return u
}

// revised is the unit that its maker revises during the campaign.
const revised = "tansy-8"

// jobs is the campaign: which rig soaks what, in order.
func jobs() []job {
	where := map[string]string{
		"quill-8 rated": "bench-1", "quill-8 boosted": "bench-1", "yarrow-8 rated": "bench-1",
		"tansy-8 rated": "bench-2", "tansy-8 boosted": "bench-2", "yarrow-8 boosted": "bench-2",
		"wicket-8 rated": "bench-3", "wicket-8 boosted": "bench-3",
	}
	var all []job
	for _, setup := range []string{"rated", "boosted"} {
		for _, c := range carriers() {
			j := job{bench: where[c.name+" "+setup], unit: c.name, setup: setup, model: c.model(setup)}
			if c.name == revised {
				j.revision = "A"
			}
			all = append(all, j)
		}
	}
	// In revision B the stages of one unit sit better on their heatsink.
	for _, c := range carriers() {
		if c.name == revised {
			for i := range c.kPerW {
				c.kPerW[i] *= 0.85
			}
			all = append(all, job{bench: "bench-3", unit: c.name, revision: "B", setup: "boosted", model: c.model("boosted")})
		}
	}
	return all
}
