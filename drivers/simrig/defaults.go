package simrig

import (
	"strconv"
	"time"
)

// DefaultOpts is a ready rig: eight MAX31855K on SPI0.0 to SPI0.7 behind stages 1
// to 8, a ninth on SPI0.8 in the intake air, a meter, and DefaultUnit mounted and
// idle.
func DefaultOpts() Opts {
	o := Opts{
		Seed: 1,
		Room: Room{Mean: 23, Swing: 0.3, Period: 17 * time.Minute, Recirculation: 0.02},
		MISO: "low",
		Errors: Errors{
			OffsetK: 0.3, WireGain: 0.002, ColdK: 0.25, NoiseK: 0.06,
			SelfHeatK: 4, SelfSpreadK: 1.5, BeadS: 1,
		},
		Meter: Meter{
			GainError: 0.004, Noise: 0.0005, PowerStepW: 0.1, EnergyStep: 0.001,
			CounterKWh: 412.7, VoltageV: 230, MainsHz: 50,
		},
		Unit: DefaultUnit(),
	}
	for i := range 8 {
		n := strconv.Itoa(i + 1)
		o.Chips = append(o.Chips, Chip{Port: "SPI0." + strconv.Itoa(i), Model: "max31855", Couple: "K", Place: "stage " + n})
	}
	o.Chips = append(o.Chips, Chip{Port: "SPI0.8", Model: "max31855", Couple: "K", Place: "intake"})
	return o
}

// defaultStart is a morning, so that a night falls where one expects it.
func defaultStart() time.Time { return time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC) }

// DefaultUnit is a board of eight stages, about 60 W idle and 300 W loaded at the
// wall, that takes no harm: its hottest stage settles near 80 degC in a room of 23.
func DefaultUnit() UnitOpts {
	u := UnitOpts{
		Name:      "unit",
		IdleWallW: 60, LoadWallW: 300, RestW: 28, StandbyW: 1.2, Jitter: 0.004,
		StageTime:  9 * time.Second,
		Sink:       Mass{KPerW: 0.9, Time: 200 * time.Second},
		Die:        Mass{KPerW: 0.18, Time: 20 * time.Second},
		Box:        Mass{KPerW: 0.045, Time: 25 * time.Minute},
		Loss:       Loss{FixedW: 1.5, Linear: 0.04, Quadratic: 0.00025, TempCo: 0.0015},
		Supply:     Supply{FixedW: 8, Linear: 0.04, Quadratic: 0.00012},
		Limiter:    Limiter{Kind: "none", Sense: "hottest", AtC: 105, Hysteresis: 3, Cut: 0.35},
		Boost:      Boost{Factor: 1},
		Loop:       Loop{Level: 0.2},
		Crash:      Crash{To: "idle", Down: 40 * time.Second},
		ContactErr: 0.006,
	}
	for _, kPerW := range []float64{5.6, 6.2, 6.9, 7.4, 7.6, 7.1, 6.4, 5.8} {
		u.Stages = append(u.Stages, Stage{KPerW: kPerW, Share: 1})
	}
	return u
}

// UnmarshalYAML decodes over DefaultOpts, so that absent keys keep their defaults.
func (o *Opts) UnmarshalYAML(decode func(any) error) error {
	type plain Opts
	p := plain(DefaultOpts())
	if err := decode(&p); err != nil {
		return err
	}
	*o = Opts(p)
	return nil
}

// UnmarshalYAML decodes over DefaultUnit, so that absent keys keep their defaults.
func (u *UnitOpts) UnmarshalYAML(decode func(any) error) error {
	type plain UnitOpts
	p := plain(DefaultUnit())
	if err := decode(&p); err != nil {
		return err
	}
	*u = UnitOpts(p)
	return nil
}
