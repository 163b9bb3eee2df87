package simrig

import (
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
)

func wantError(t *testing.T, err error, part string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), part) {
		t.Errorf("error %v, want %q in it", err, part)
	}
}

func decodeYAML(text string) (Opts, error) {
	var doc struct {
		Simulated Opts `yaml:"simulated"`
	}
	err := yaml.UnmarshalWithOptions([]byte(text), &doc, yaml.Strict())
	return doc.Simulated, err
}

func TestDefaultsAreValid(t *testing.T) {
	o := DefaultOpts()
	if err := o.Check(); err != nil {
		t.Fatal(err)
	}
	if len(o.Chips) != 9 || o.Chips[8].Place != "intake" || len(o.Unit.Stages) != 8 {
		t.Errorf("defaults: %+v", o)
	}
}

func TestYAMLKeepsDefaults(t *testing.T) {
	o, err := decodeYAML(`
simulated:
  seed: 42
  room: {mean: 21.5, setbacks: [{at: 6h, for: 5h, by: -2.5}]}
  errors: {noise: 0}
  unit:
    load_wall: 410
    box: {time: 30m}
    limiter: {kind: hold, at: 96}
    faults: [{kind: detached, place: stage 4, at: 20m, value: 0.1}]
  load: [{at: 10m, level: 1}]
  faults: [{kind: pickup, chip: SPI0.2, value: 2.5}]
`)
	if err != nil {
		t.Fatal(err)
	}
	d := DefaultOpts()
	if o.Seed != 42 || o.Room.Mean != 21.5 || o.Room.Swing != d.Room.Swing || o.Room.Setbacks[0].For != 5*time.Hour {
		t.Errorf("room: %+v", o.Room)
	}
	if o.Errors.NoiseK != 0 || o.Errors.OffsetK != d.Errors.OffsetK {
		t.Errorf("errors: %+v", o.Errors)
	}
	u := o.Unit
	if u.LoadWallW != 410 || u.IdleWallW != d.Unit.IdleWallW || len(u.Stages) != 8 || u.Box.Time != 30*time.Minute ||
		u.Box.KPerW != d.Unit.Box.KPerW || u.Limiter.Kind != "hold" || u.Limiter.Sense != "hottest" {
		t.Errorf("unit: %+v", u)
	}
	if len(o.Chips) != 9 || len(o.Faults) != 1 || o.Load[0].At != 10*time.Minute || u.Faults[0].Value != 0.1 {
		t.Errorf("lists: %+v", o)
	}
	if err := o.Check(); err != nil {
		t.Error(err)
	}
}

func TestYAMLIsStrict(t *testing.T) {
	for text, part := range map[string]string{
		"simulated: {sed: 1}":                               "sed",
		"simulated: {unit: {load_wal: 300}}":                "load_wal",
		"simulated:\n  unit:\n    limiter: {knd: hold}":     "knd",
		"simulated: {unit: {box: {time: quickly}}}":         "quickly",
		"simulated:\n  seed: 1\n  room: {mean: warm}":       "3",
		"simulated: {chips: [{port: SPI0.0, modell: max}]}": "modell",
	} {
		_, err := decodeYAML(text)
		wantError(t, err, part)
	}
}

func TestCheckNamesKeyAndRemedy(t *testing.T) {
	chip := func(c Chip) func(*Opts) { return func(o *Opts) { o.Chips = []Chip{c} } }
	fault := func(f Fault) func(*Opts) { return func(o *Opts) { o.Faults = []Fault{f} } }
	for _, c := range []struct {
		change func(*Opts)
		want   string
	}{
		{func(o *Opts) { o.MISO = "floating" }, `miso: "floating" is not one of low, high`},
		{func(o *Opts) { o.Interlock = "GPIO99" }, "interlock:"},
		{func(o *Opts) { o.Room.Mean = 900 }, "room.mean: 900 degC is out of range"},
		{func(o *Opts) { o.Room.Period = 0 }, "room.period:"},
		{func(o *Opts) { o.Room.Setbacks = []Setback{{At: -1}} }, "room.setbacks[0]:"},
		{func(o *Opts) { o.Errors.NoiseK = -1 }, "errors.noise:"},
		{func(o *Opts) { o.Meter.MainsHz = 0 }, "meter.mains:"},
		{func(o *Opts) { o.Load = []LoadAt{{At: 2}, {At: 1}} }, "load[1].at:"},
		{func(o *Opts) { o.Load = []LoadAt{{Level: 2}} }, "load[0].level:"},
		{chip(Chip{Port: "SPI0.0", Model: "max99999", Place: "room"}), `chips[0].model: "max99999" is not emulated`},
		{chip(Chip{Port: "I2C1", Model: "max31855", Place: "room"}), "chips[0].port:"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "roof"}), `chips[0].place: "roof" is no place`},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "stage 17"}), "chips[0].place:"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "room", Couple: "B"}), "there is no max31855 for type B"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "room", Couple: "Q"}), "chips[0].couple:"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "room", Address: 24}), "chips[0].address:"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "room", Select: "PIN4"}), "chips[0].select:"},
		{chip(Chip{Port: "SPI0.0", Model: "max31855", Place: "room", Place23: "room"}), "chips[0].place23:"},
		{func(o *Opts) { o.Chips[1].Port = "spi0.0" }, "chips[1]: SPI0.0 is taken by chips[0]"},
		{func(o *Opts) { o.Unit.Stages = nil }, "unit.stages: 0 stages"},
		{func(o *Opts) { o.Unit.Stages = o.Unit.Stages[:2] }, "chip SPI0.2 sits on stage 3, but the unit has 2 stages"},
		{func(o *Opts) { o.Unit.Stages[3].KPerW = 0 }, "unit.stages[3].k_per_w:"},
		{func(o *Opts) {
			for i := range o.Unit.Stages {
				o.Unit.Stages[i].Share = 0
			}
		}, "no stage has a share"},
		{func(o *Opts) { o.Unit.StageTime = 0 }, "unit.stage_time:"},
		{func(o *Opts) { o.Unit.Box.Time = 0 }, "unit.box.time:"},
		{func(o *Opts) { o.Unit.Sink = Mass{100, time.Minute} }, "unit.sink: the stages pull at it"},
		{func(o *Opts) { o.Unit.Box = Mass{100, time.Minute} }, "unit.box: sink and die pull at it"},
		{func(o *Opts) { o.Unit.LoadWallW = 10 }, "unit.load_wall:"},
		{func(o *Opts) { o.Unit.RestW = 200 }, "unit.idle_wall: 60 W at the wall is"},
		{func(o *Opts) { o.Unit.Loss.TempCo = 1 }, "unit.loss.tempco:"},
		{func(o *Opts) { o.Unit.Supply.Linear = -1 }, "unit.supply.linear:"},
		{func(o *Opts) { o.Unit.Limiter.Kind = "hard" }, "unit.limiter.kind:"},
		{func(o *Opts) { o.Unit.Limiter.Sense = "stage 9" }, "unit.limiter.sense:"},
		{func(o *Opts) { o.Unit.Loop = Loop{Every: time.Minute, Gap: time.Minute} }, "unit.loop.gap:"},
		{func(o *Opts) { o.Unit.Crash.To = "sleep" }, "unit.crash.to:"},
		{func(o *Opts) { o.Unit.Crash.After = -1 }, "can't be negative"},
		{func(o *Opts) { o.Unit.Faults = []Fault{{Kind: "open", Chip: "SPI0.0"}} }, "unit.faults[0].chip: a unit does not know"},
		{fault(Fault{Kind: "gremlin"}), `faults[0].kind: "gremlin" is no fault`},
		{fault(Fault{Kind: "open", Chip: "SPI7.7"}), "faults[0].chip: there is no chip SPI7.7"},
		{fault(Fault{Kind: "open", Chip: "SPI0.0", Place: "room"}), "give either chip or place"},
		{fault(Fault{Kind: "detached", Chip: "SPI0.0"}), "detached needs a stage"},
		{fault(Fault{Kind: "open", Place: "roof"}), `faults[0].place: "roof" is no place`},
		{fault(Fault{Kind: "silent"}), "silent is a fault of the meter"},
		{fault(Fault{Kind: "open", Chip: "meter"}), "a meter can't be open"},
		{fault(Fault{Kind: "fan_stop", Value: 2, Place: "stage 1"}), "fan_stop concerns the whole unit"},
		{fault(Fault{Kind: "fan_stop"}), "faults[0].value:"},
		{fault(Fault{Kind: "spikes", Value: 3}), "faults[0].every:"},
		{fault(Fault{Kind: "open", From: "noon"}), "faults[0].from:"},
		{fault(Fault{Kind: "open", At: -1}), "can't be negative"},
	} {
		o := DefaultOpts()
		c.change(&o)
		wantError(t, o.Check(), c.want)
	}
}

func TestCheckReportsEverythingAtOnce(t *testing.T) {
	o := DefaultOpts()
	o.MISO, o.Room.Mean, o.Unit.Limiter.Kind = "x", 500, "y"
	if _, err := New(o, nil); err == nil || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("three mistakes gave %v", err)
	}
}

func TestEveryFaultKindIsExplained(t *testing.T) {
	if lines := FaultKinds(); len(lines) != len(faultSpecs()) {
		t.Errorf("%d lines for %d kinds", len(lines), len(faultSpecs()))
	}
}
