package record

// Phase is a part of a run.
type Phase string

// The phases in their order.
const (
	PhaseWaiting  Phase = "waiting"
	PhaseBaseline Phase = "baseline"
	PhaseLoad     Phase = "load"
	PhaseCooldown Phase = "cooldown"
	PhaseEnded    Phase = "ended"
)

// Plan says how a run goes and what it is judged by. It is fixed at the start.
type Plan struct {
	Phases    []PhasePlan        `json:"phases"`
	Limits    []Limit            `json:"limits"`
	Constants map[string]float64 `json:"constants,omitempty"` // overrides of analysis constants by name
	// AmbientBandC is the band of room temperature in which the run counts, low and
	// high in degC; nil: analysis default.
	AmbientBandC *Band `json:"ambient_band_c,omitempty"`
	// ReferenceAmbientC is the room temperature that results are also given for; nil: 23.
	ReferenceAmbientC *float64 `json:"reference_ambient_c,omitempty"`
}

// Band is a closed interval.
type Band struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// PhasePlan is one phase of a plan.
type PhasePlan struct {
	Phase   Phase   `json:"phase"`
	LengthS float64 `json:"length_s"`         // planned length; zero: until the next phase begins
	Begins  string  `json:"begins"`           // how: now, load (detected), load_end (detected), after (the phase before has its length), mark, time, call
	At      string  `json:"at,omitempty"`     // with "time": RFC 3339; with "mark": the mark's text
	Results bool    `json:"results"`          // whether results are taken in it
	Command Command `json:"command,omitzero"` // run when the phase begins
}

// Command is a program that soakd starts, as an argument list; there is no shell.
type Command struct {
	Args     []string `json:"args,omitempty"`
	TimeoutS float64  `json:"timeout_s,omitempty"` // zero: 60
}

// Limit bounds a quantity.
type Limit struct {
	Name     string  `json:"name"`
	Channel  string  `json:"channel,omitempty"` // one channel, or
	Role     Role    `json:"role,omitempty"`    // every channel of a role
	Quantity string  `json:"quantity"`          // value, rise, slope (K/h), difference (to the role's median)
	Bound    float64 `json:"bound"`             // in the quantity's unit
	Below    bool    `json:"below,omitempty"`   // true: the quantity must not fall below Bound
	DwellS   float64 `json:"dwell_s"`           // how long it must be beyond; zero: the peak's hold (10 s)
	Severity string  `json:"severity"`          // note, fail, stop
	Phases   []Phase `json:"phases,omitempty"`  // empty: load
}

// Setup is how the unit is configured for a run.
type Setup struct {
	Name       string            `json:"name"`                 // rated, boosted, any name
	Conditions map[string]string `json:"conditions,omitempty"` // voltage, clock, firmware, fans, enclosure, probe_map, ...
	MustMatch  []string          `json:"must_match,omitempty"` // keys that must be equal before two runs are compared
}

// RunStart opens a run.
type RunStart struct {
	Run      string `json:"run"` // unique on the rig: <date>-<number>, used in file names
	Unit     string `json:"unit"`
	Revision string `json:"revision,omitempty"` // of the unit
	Setup    Setup  `json:"setup"`
	Plan     Plan   `json:"plan"`
	Operator string `json:"operator,omitempty"`
	Repeat   int    `json:"repeat,omitempty"`  // 1, 2, ... of a repeated run; zero: single
	Repeats  int    `json:"repeats,omitempty"` // how many runs were asked for in all
}

// RunEvent is something that happened to a run.
type RunEvent struct {
	Run   string    `json:"run"`
	Event string    `json:"event"` // started, phase, load_start, load_end, limit, stop_requested, command, resumed, warning, ended
	Phase Phase     `json:"phase,omitempty"`
	AtS   float64   `json:"at_s"` // run time it refers to: back-dated where detection needs a dwell
	Text  string    `json:"text,omitempty"`
	Start *RunStart `json:"start,omitempty"` // with "started"
}

// RunResult stores a result.
type RunResult struct {
	Run    string `json:"run"`
	Result Result `json:"result"`
}
