package record

// Verdict is what a run proves about its limits.
type Verdict string

// The verdicts. VerdictNone stands where no limit was set: the peak is measured,
// but there is nothing to judge it by.
const (
	VerdictPass     Verdict = "pass"
	VerdictMarginal Verdict = "marginal"
	VerdictFail     Verdict = "fail"
	VerdictVoid     Verdict = "void"
	VerdictNone     Verdict = "none"
)

// Result is what a run came to. Its JSON is what soak show -o json, soak evaluate
// -o json and every archive hold. Times called at_s count from the run's start
// (for a foreign recording: its time column). expanded_k and the like are expanded
// uncertainties with coverage factor k = 2 unless coverage_factor says otherwise.
type Result struct {
	Algorithm  string            `json:"algorithm"` // name and version of the computation
	Rig        string            `json:"rig,omitempty"`
	Run        string            `json:"run,omitempty"`
	Unit       string            `json:"unit,omitempty"`
	Revision   string            `json:"revision,omitempty"`
	Setup      string            `json:"setup,omitempty"`
	Conditions map[string]string `json:"conditions,omitempty"`
	MustMatch  []string          `json:"must_match,omitempty"`
	Started    string            `json:"started,omitempty"`          // wall time, RFC 3339
	DurationS  float64           `json:"duration_s"`                 // from the first to the last observation
	FirstSeq   uint64            `json:"first_seq,omitempty,string"` // journal entries it was computed from
	LastSeq    uint64            `json:"last_seq,omitempty,string"`

	Verdict      Verdict  `json:"verdict"`
	MarginalSide string   `json:"marginal_side,omitempty"` // below, above: of the limit, when marginal
	Limited      bool     `json:"limited"`                 // thermal limiting was seen: the peak is the limiter's set point
	Final        bool     `json:"final"`                   // false: the run has not ended
	Reasons      []Reason `json:"reasons"`                 // why the verdict is what it is, most important first

	Peak       *Peak              `json:"peak,omitempty"` // hot spot; nil: no probe gave a peak
	Probes     []ProbeResult      `json:"probes"`
	Ambient    *Ambient           `json:"ambient,omitempty"`
	Load       *Load              `json:"load,omitempty"`
	Steady     *Steady            `json:"steady,omitempty"`
	Phases     []PhaseResult      `json:"phases"`
	Limits     []LimitResult      `json:"limits"`
	Findings   []Finding          `json:"findings"` // everything noticed, in order of time
	Gaps       []GapResult        `json:"gaps"`
	Marks      []MarkResult       `json:"marks,omitempty"`
	Budget     []BudgetLine       `json:"budget"` // of the hot spot's held peak
	Statistics []Statistic        `json:"statistics,omitempty"`
	Constants  map[string]float64 `json:"constants"`          // every constant used
	Settings   map[string]string  `json:"settings,omitempty"` // probe map, converter, sample period and the like
}

// Reason is one ground of a verdict.
type Reason struct {
	Code string `json:"code"` // limit, guard_band, load_lost, probe_lost, ambient_band, coverage, too_short, no_ambient, thermal_limiting, not_settled, ...
	Text string `json:"text"` // for people
}

// Peak is the reported peak: the highest level held, on the hottest probe.
type Peak struct {
	Channel            string   `json:"channel"`
	Place              string   `json:"place,omitempty"`
	HeldC              float64  `json:"held_c"`     // highest level held for the hold time
	ExpandedK          float64  `json:"expanded_k"` // of HeldC
	CoverageFactor     float64  `json:"coverage_factor"`
	AtS                float64  `json:"at_s"`        // start of the window
	LowerBound         bool     `json:"lower_bound"` // a probe was lost: the true peak may be higher
	RiseK              *float64 `json:"rise_k,omitempty"`
	RiseExpandedK      *float64 `json:"rise_expanded_k,omitempty"`
	AmbientC           *float64 `json:"ambient_c,omitempty"`   // mean of the 15 min before the peak
	ReferenceC         *float64 `json:"reference_c,omitempty"` // HeldC moved to the reference ambient; nil: refused or no ambient
	ReferenceExpandedK *float64 `json:"reference_expanded_k,omitempty"`
	ReferenceAmbientC  *float64 `json:"reference_ambient_c,omitempty"`
	Second             string   `json:"second,omitempty"` // channel of the next hottest probe
	SecondHeldC        *float64 `json:"second_held_c,omitempty"`
	GapK               *float64 `json:"gap_k,omitempty"`
	Ambiguous          bool     `json:"ambiguous"` // the gap is inside its uncertainty: "A or B"
	ProbesGood         int      `json:"probes_good"`
	ProbesTotal        int      `json:"probes_total"`
}

// ProbeResult is one probe of a run. Numbers that could not be measured are absent.
type ProbeResult struct {
	Channel       string         `json:"channel"`
	Place         string         `json:"place,omitempty"`
	Health        string         `json:"health"` // good, incomplete, lost, detached, never_attached, reversed, stuck, pickup, absent, unjudged (no load)
	Counts        bool           `json:"counts"` // whether it counted for the peak
	HeldC         *float64       `json:"held_c,omitempty"`
	ExpandedK     *float64       `json:"expanded_k,omitempty"`
	HeldAtS       *float64       `json:"held_at_s,omitempty"`
	RawMaxC       *float64       `json:"raw_max_c,omitempty"`
	MedianMaxC    *float64       `json:"median_max_c,omitempty"` // highest 60 s median
	AfterLoadMaxC *float64       `json:"after_load_max_c,omitempty"`
	RiseK         *float64       `json:"rise_k,omitempty"`
	BaselineC     *float64       `json:"baseline_c,omitempty"`
	LastC         *float64       `json:"last_c,omitempty"` // last good value on load
	AboveLimitS   *float64       `json:"above_limit_s,omitempty"`
	AboveCount    int            `json:"above_count"`
	AboveLongestS float64        `json:"above_longest_s"`
	Coverage      float64        `json:"coverage"` // share of good samples on load, 0..1
	LongestGapS   float64        `json:"longest_gap_s"`
	SlopeKPerH    *float64       `json:"slope_k_per_h,omitempty"`
	Faults        map[string]int `json:"faults,omitempty"` // fault word -> number of readings
	Note          string         `json:"note,omitempty"`
}

// Ambient is the room during the run.
type Ambient struct {
	Channel     string   `json:"channel"`
	BeforePeakC *float64 `json:"before_peak_c,omitempty"` // mean of the 15 min before the peak
	MeanC       float64  `json:"mean_c"`
	MinC        float64  `json:"min_c"`
	MaxC        float64  `json:"max_c"`
	InBand      float64  `json:"in_band"` // share of loaded time, 0..1
	BandLowC    float64  `json:"band_low_c"`
	BandHighC   float64  `json:"band_high_c"`
	DriftKPerH  *float64 `json:"drift_k_per_h,omitempty"`
	Coverage    float64  `json:"coverage"`
}

// Load is the evidence that the load ran.
type Load struct {
	Channel         string   `json:"channel,omitempty"` // power channel; empty: none, the load was marked
	Source          string   `json:"source"`            // detected, marked, planned, on_at_start: on already when the run began
	StartS          *float64 `json:"start_s,omitempty"`
	EndS            *float64 `json:"end_s,omitempty"`
	PlannedS        *float64 `json:"planned_s,omitempty"`
	IdleW           *float64 `json:"idle_w,omitempty"`
	MeanW           *float64 `json:"mean_w,omitempty"` // from the energy counter when there is one
	MeanExpandedW   *float64 `json:"mean_expanded_w,omitempty"`
	MeanBy          string   `json:"mean_by,omitempty"` // counter, integral
	MedianW         *float64 `json:"median_w,omitempty"`
	P5W             *float64 `json:"p5_w,omitempty"`
	P95W            *float64 `json:"p95_w,omitempty"`
	HeldMaxW        *float64 `json:"held_max_w,omitempty"`
	EnergyJ         *float64 `json:"energy_j,omitempty"`
	EnergyExpandedJ *float64 `json:"energy_expanded_j,omitempty"`
	EnergyBy        string   `json:"energy_by,omitempty"` // counter, integral
	EnergyCoverage  *float64 `json:"energy_coverage,omitempty"`
	LossShare       *float64 `json:"loss_share,omitempty"` // power lost from the early to the last third, share of the load step
	Pattern         string   `json:"pattern"`              // constant, load_pattern, not_held, thermal_cycling, flat_top, unknown
	Held            bool     `json:"held"`
	Outcome         string   `json:"outcome"`           // complete, lost, ended_early, running, not_seen
	LostTo          string   `json:"lost_to,omitempty"` // off, restarted, idle
	MissingS        *float64 `json:"missing_s,omitempty"`
	EarlyStepW      *float64 `json:"early_step_w,omitempty"`
	Dips            *Dips    `json:"dips,omitempty"`
}

// Dips describes short losses of power on load.
type Dips struct {
	Count      int      `json:"count"`
	MedianS    float64  `json:"median_s"`
	IntervalS  *float64 `json:"interval_s,omitempty"` // median
	Regularity *float64 `json:"regularity,omitempty"` // interquartile range over median of the intervals
	MeanDepthW float64  `json:"mean_depth_w"`
	Duty       float64  `json:"duty"` // share of load time spent in dips
	OnsetC     *float64 `json:"onset_c,omitempty"`
}

// Steady says how settled the run was at the end of its load.
type Steady struct {
	Tier                  string   `json:"tier"`    // steady (2 K/h twice), settled (6 K/h), rising
	Channel               string   `json:"channel"` // the probe that settled last
	SlopeKPerH            float64  `json:"slope_k_per_h"`
	SlopeSEKPerH          *float64 `json:"slope_se_k_per_h,omitempty"`
	ReachedAtS            *float64 `json:"reached_at_s,omitempty"`
	Valid                 bool     `json:"valid"` // power was held, so that flat means settled
	TauS                  *float64 `json:"tau_s,omitempty"`
	RemainingK            *float64 `json:"remaining_k,omitempty"`
	ExtrapolatedC         *float64 `json:"extrapolated_c,omitempty"` // only where the rules allow it
	ExtrapolatedExpandedK *float64 `json:"extrapolated_expanded_k,omitempty"`
	ExtrapolationNote     string   `json:"extrapolation_note,omitempty"`
}

// PhaseResult is one phase as it went.
type PhaseResult struct {
	Phase  Phase   `json:"phase"`
	StartS float64 `json:"start_s"`
	EndS   float64 `json:"end_s"`
	Began  string  `json:"began"` // now, detected, marked, planned, called, on_at_start
}

// LimitResult is one limit as it was met, for its worst channel.
type LimitResult struct {
	Name      string   `json:"name"`
	Channel   string   `json:"channel"`
	Quantity  string   `json:"quantity"`
	Unit      string   `json:"unit"`
	Bound     float64  `json:"bound"`
	Value     *float64 `json:"value,omitempty"`
	Expanded  *float64 `json:"expanded,omitempty"`
	GuardBand *float64 `json:"guard_band,omitempty"`
	Outcome   Verdict  `json:"outcome"`
	Side      string   `json:"side,omitempty"` // below, above, when marginal
	Severity  string   `json:"severity"`
	FirstAtS  *float64 `json:"first_at_s,omitempty"` // first time beyond the bound for the dwell
}

// Finding is something noticed. Seen says what was measured; Consistent what that
// fits, where it does not follow.
type Finding struct {
	Code       string   `json:"code"`     // thermal_limiting, load_pattern, early_step, power_not_held, load_lost, probe_detached, probe_lost, ...
	Severity   string   `json:"severity"` // note, warning, void
	Channel    string   `json:"channel,omitempty"`
	FromS      *float64 `json:"from_s,omitempty"`
	ToS        *float64 `json:"to_s,omitempty"`
	Seen       string   `json:"seen"`
	Consistent string   `json:"consistent,omitempty"`
}

// GapResult is a hole in the record.
type GapResult struct {
	FromS     float64 `json:"from_s"`
	ToS       float64 `json:"to_s"`
	DurationS float64 `json:"duration_s"`
	Cause     string  `json:"cause"` // restart, unclean_stop, source, damaged
	Text      string  `json:"text,omitempty"`
}

// MarkResult is a mark inside the run.
type MarkResult struct {
	AtS    float64 `json:"at_s"`
	Text   string  `json:"text"`
	Author string  `json:"author,omitempty"`
}

// BudgetLine is one line of an uncertainty budget, evaluated.
type BudgetLine struct {
	Name              string  `json:"name"`
	HalfWidth         float64 `json:"half_width"`           // as stated; zero with an A-type line
	Unit              string  `json:"unit"`                 // of the half width
	Distribution      string  `json:"distribution"`         // rectangular, normal, triangular
	StandardK         float64 `json:"standard_k"`           // standard uncertainty in the channel's unit
	Share             float64 `json:"share"`                // of the combined variance, 0..1
	SharedBy          string  `json:"shared_by,omitempty"`  // the kind of thing shared
	SharedKey         string  `json:"shared_key,omitempty"` // which one: two results with the same key share the line
	SharedCorrelation float64 `json:"shared_correlation"`   // 0..1 where the key is shared
	Source            string  `json:"source,omitempty"`
}

// Statistic is a named number: how a statistic travels that no screen knows yet.
type Statistic struct {
	Name     string   `json:"name"`
	Channel  string   `json:"channel,omitempty"`
	Value    float64  `json:"value"`
	Unit     string   `json:"unit"`
	Expanded *float64 `json:"expanded,omitempty"`
	AtS      *float64 `json:"at_s,omitempty"`
	Text     string   `json:"text,omitempty"`
}

// Live is the state of an open run: bounded work per sample, equal to the replayed
// result where both exist.
type Live struct {
	Run          string    `json:"run"`
	Unit         string    `json:"unit"`
	Setup        string    `json:"setup"`
	Phase        Phase     `json:"phase"`
	ElapsedS     float64   `json:"elapsed_s"`
	PhaseS       float64   `json:"phase_s"`                  // since the phase began
	PhaseLengthS *float64  `json:"phase_length_s,omitempty"` // planned
	RemainingS   *float64  `json:"remaining_s,omitempty"`    // of the whole plan
	HotChannel   string    `json:"hot_channel,omitempty"`
	HotC         *float64  `json:"hot_c,omitempty"`
	HotExpandedK *float64  `json:"hot_expanded_k,omitempty"`
	PeakChannel  string    `json:"peak_channel,omitempty"`
	PeakC        *float64  `json:"peak_c,omitempty"` // held so far
	PeakAtS      *float64  `json:"peak_at_s,omitempty"`
	AmbientC     *float64  `json:"ambient_c,omitempty"`
	RiseK        *float64  `json:"rise_k,omitempty"`
	PowerW       *float64  `json:"power_w,omitempty"`
	EnergyJ      *float64  `json:"energy_j,omitempty"`
	SlopeKPerH   *float64  `json:"slope_k_per_h,omitempty"`
	Tier         string    `json:"tier,omitempty"`
	ToSteadyS    *float64  `json:"to_steady_s,omitempty"`
	LimitC       *float64  `json:"limit_c,omitempty"`
	ProbesGood   int       `json:"probes_good"`
	ProbesTotal  int       `json:"probes_total"`
	VerdictSoFar Verdict   `json:"verdict_so_far"`
	Warnings     []Finding `json:"warnings"`
}
