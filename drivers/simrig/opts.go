package simrig

import "time"

// Opts says what the rig is. Its yaml keys are those of rig.yaml's simulated:
// block; absent keys keep what DefaultOpts has. Temperatures are degC, differences
// K, powers W. All times are rig time. A zero Start is 2026-01-05 08:00 UTC here; soakd
// puts the time of its start. The manual page of rig.yaml shows the comments of the keys.
type Opts struct {
	Seed      uint64    `yaml:"seed"`      // every random number follows from it
	Start     time.Time `yaml:"start"`     // wall time at rig time 0; left out: the time of the start
	Room      Room      `yaml:"room"`      // the air that the rig stands in
	Chips     []Chip    `yaml:"chips"`     // replaces the default rig as a whole
	MISO      string    `yaml:"miso"`      // what an unanswered SPI line reads: "low" or "high" (pull resistor)
	Errors    Errors    `yaml:"errors"`    // of probes and converters
	Meter     Meter     `yaml:"meter"`     // the wall-power meter
	Unit      UnitOpts  `yaml:"unit"`      // mounted at the start
	Load      []LoadAt  `yaml:"load"`      // a load script's doings, in order of time
	Faults    []Fault   `yaml:"faults"`    // of the rig
	Interlock string    `yaml:"interlock"` // GPIO pin: once driven, a low level switches the unit off; empty: none
}

// Room is the air that the rig stands in.
type Room struct {
	Mean          float64       `yaml:"mean"`          // degC
	Swing         float64       `yaml:"swing"`         // K, amplitude of the air conditioning's cycle
	Period        time.Duration `yaml:"period"`        // of that cycle
	Setbacks      []Setback     `yaml:"setbacks"`      // that move the room for a while: the night, an open door
	Recirculation float64       `yaml:"recirculation"` // part of the enclosure's rise that the intake sees, 0..1
}

// Setback moves the room for a while: the night, an open door.
type Setback struct {
	At     time.Duration `yaml:"at"`     // rig time
	For    time.Duration `yaml:"for"`    // zero: for good
	By     float64       `yaml:"by"`     // K, negative: colder
	Within time.Duration `yaml:"within"` // time constant of the change; zero: 20 min
}

// Chip is one converter and what its probe sits on.
type Chip struct {
	Port    string `yaml:"port"`    // SPI0.3 or I2C1
	Select  string `yaml:"select"`  // GPIO pin as chip select; empty: the port's own
	Address int    `yaml:"address"` // I2C only, 7 bit
	Model   string `yaml:"model"`   // max31855 max31856 ads1118 mcp9600 mcp9601 mcp9808
	Couple  string `yaml:"couple"`  // thermocouple on it; empty: K. A max31855 has this letter too
	Place   string `yaml:"place"`   // "stage 3", room, intake, exhaust, electronics
	Place23 string `yaml:"place23"` // ads1118 only: what hangs on inputs 2 and 3; empty: nothing
}

// Errors are the imperfections of probes and converters. Standard deviations are
// over the population: each probe and chip draws its own from the seed and keeps
// it. Zero: none of it.
type Errors struct {
	OffsetK     float64 `yaml:"offset"`      // K, converter offset, standard deviation
	WireGain    float64 `yaml:"wire_gain"`   // fraction of the EMF, standard deviation
	ColdK       float64 `yaml:"cold"`        // K, of the chip's own cold-junction sensor, standard deviation
	NoiseK      float64 `yaml:"noise"`       // K, each conversion, standard deviation
	SelfHeatK   float64 `yaml:"self_heat"`   // K, cold junction above the room, mean
	SelfSpreadK float64 `yaml:"self_spread"` // K, chips differ by at most this much either way
	BeadS       float64 `yaml:"bead"`        // s, time constant of a bonded bead; one in air takes 4 times as long
}

// Meter is the wall-power meter.
type Meter struct {
	GainError  float64 `yaml:"gain_error"`  // fraction, standard deviation over meters: a class 1 meter has about 0.004
	Noise      float64 `yaml:"noise"`       // fraction of the reading, each update, standard deviation
	PowerStepW float64 `yaml:"power_step"`  // W, resolution; zero: none
	EnergyStep float64 `yaml:"energy_step"` // kWh, resolution; zero: none
	CounterKWh float64 `yaml:"counter"`     // kWh on the counter at the start
	VoltageV   float64 `yaml:"voltage"`     // V
	MainsHz    float64 `yaml:"mains"`       // Hz
}

// LoadAt is one step of the load script.
type LoadAt struct {
	At    time.Duration `yaml:"at"`    // rig time
	Level float64       `yaml:"level"` // 0: idle, 1: full load, between: part load
}

// UnitOpts is one unit under test in one setup.
type UnitOpts struct {
	Name       string        `yaml:"name"`        // for messages
	IdleWallW  float64       `yaml:"idle_wall"`   // W at the wall, idle, stages at 25 degC
	LoadWallW  float64       `yaml:"load_wall"`   // W at the wall, full load, stages at 25 degC
	RestW      float64       `yaml:"rest"`        // W of the idle power that no stage feeds: fans, memory, drives
	Off        bool          `yaml:"off"`         // mounted switched off: SetPower switches it on
	StandbyW   float64       `yaml:"standby"`     // W at the wall when switched off
	Jitter     float64       `yaml:"jitter"`      // fraction of the load, each second, standard deviation
	Stages     []Stage       `yaml:"stages"`      // 1..16
	StageTime  time.Duration `yaml:"stage_time"`  // time constant, stage to heatsink
	Sink       Mass          `yaml:"sink"`        // heatsink to enclosure air; takes the stages' loss
	Die        Mass          `yaml:"die"`         // processor to enclosure air; takes the processor's power
	Box        Mass          `yaml:"box"`         // enclosure to room; takes everything
	Loss       Loss          `yaml:"loss"`        // of all stages together
	Supply     Supply        `yaml:"supply"`      // loss of its power supply
	Limiter    Limiter       `yaml:"limiter"`     // how it protects itself
	Boost      Boost         `yaml:"boost"`       // lets the load start higher for a while
	Loop       Loop          `yaml:"loop"`        // a load that pauses between its cycles
	Crash      Crash         `yaml:"crash"`       // ends the load early, once per mounting
	ContactErr float64       `yaml:"contact_err"` // part of the rise above the air that a bonded bead misses, each mounting, standard deviation
	Faults     []Fault       `yaml:"faults"`      // that come with this unit; places only
}

// Stage is one probe place.
type Stage struct {
	KPerW float64 `yaml:"k_per_w"` // thermal resistance to the heatsink, K/W
	Share float64 `yaml:"share"`   // of the loss; only the ratios count
}

// Mass is one lump of heat capacity: KPerW times its capacity is Time.
type Mass struct {
	KPerW float64       `yaml:"k_per_w"` // thermal resistance, K/W
	Time  time.Duration `yaml:"time"`    // time constant
}

// Loss is loss = Fixed + Linear*p + Quadratic*p^2 at 25 degC for p watts
// delivered, and grows by TempCo per kelvin of each stage.
type Loss struct {
	FixedW    float64 `yaml:"fixed"`     // W
	Linear    float64 `yaml:"linear"`    // W/W
	Quadratic float64 `yaml:"quadratic"` // 1/W
	TempCo    float64 `yaml:"tempco"`    // 1/K
}

// Supply is the power supply's loss, FixedW + Linear*p + Quadratic*p^2 for p
// watts of direct current. Its heat goes to the room, not into the enclosure.
type Supply struct {
	FixedW    float64 `yaml:"fixed"`     // W
	Linear    float64 `yaml:"linear"`    // W/W
	Quadratic float64 `yaml:"quadratic"` // 1/W
}

// Limiter protects the unit from itself.
type Limiter struct {
	Kind       string  `yaml:"kind"`       // "none"; "hold": power falls until the temperature stays at the set point; "trip": power drops to cut until it is hysteresis cooler
	Sense      string  `yaml:"sense"`      // "hottest" stage, "die", or "stage 3"
	AtC        float64 `yaml:"at"`         // degC
	Hysteresis float64 `yaml:"hysteresis"` // K, trip only
	Cut        float64 `yaml:"cut"`        // trip: part of the load left; hold: the least part left
}

// Boost lets the load start higher for a while.
type Boost struct {
	Factor float64       `yaml:"factor"` // of the load, 1: none
	For    time.Duration `yaml:"for"`    // since the load's start
}

// Loop is a load that pauses between its cycles.
type Loop struct {
	Every time.Duration `yaml:"every"` // length of a cycle with its pause; zero: none
	Gap   time.Duration `yaml:"gap"`   // the pause at its end
	Level float64       `yaml:"level"` // of the load during the pause
}

// Crash ends the load early, once per mounting.
type Crash struct {
	After time.Duration `yaml:"after"` // since the first load; zero: none
	To    string        `yaml:"to"`    // "idle", "off", or "restart": off for a while, then idle
	Down  time.Duration `yaml:"down"`  // length of a restart
}

// Fault is something that breaks. Either Place or Chip names what; neither: every
// probe (or the unit for fan_stop).
type Fault struct {
	Kind  string        `yaml:"kind"`  // kind of fault
	Chip  string        `yaml:"chip"`  // "SPI0.3", "SPI0.0/GPIO22", "I2C1/0x18", "I2C1/24" or "meter"
	Place string        `yaml:"place"` // "stage 3", room, intake, exhaust
	From  string        `yaml:"from"`  // what the time counts from: "start" of the rig, "mount" of the unit, its first "load"; empty: start for the rig's, load for the unit's
	At    time.Duration `yaml:"at"`    // when it begins
	For   time.Duration `yaml:"for"`   // zero: for good
	Value float64       `yaml:"value"` // as its kind says
	Every time.Duration `yaml:"every"` // spikes: mean time between
}
