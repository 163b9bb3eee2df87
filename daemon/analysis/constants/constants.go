// Package constants holds every threshold of the analysis under its name, with its
// default and the range it may take. A plan overrides them by name and every result
// records them. What they are compared with stands elsewhere.
package constants

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Set holds every threshold of the computation. Times are in seconds,
// temperatures in kelvin or degC, powers in watts, shares between 0 and 1. The
// names under which a plan may override them are those of Map.
type Set struct {
	SealLagS float64 // how late another source's reading of a second may arrive

	// Peak.
	PeakHoldS    float64 // a level counts when it was held this long
	PeakGood     float64 // share of a window that must have values
	MedianPeakS  float64 // window of the median maximum shown beside the peak
	AboveHystK   float64 // an excursion above a limit ends this far below it
	AboveMinS    float64 // shorter excursions are not counted
	CoverageMin  float64 // a probe with fewer good samples on load is incomplete
	GapMaxS      float64 // a probe with a longer hole on load is incomplete
	GapPeriods   float64 // holes up to this many sample periods are no holes
	LostS        float64 // a probe without values for this long at the end of the load is lost
	DefaultExpK  float64 // expanded uncertainty of a temperature for which none is stated
	DefaultShare float64 // the same of other quantities, share of the value

	// Load start and end.
	StartRiseW     float64
	StartRiseShare float64 // of idle
	StartSigma     float64 // of idle's noise
	StartDwellS    float64
	IdleWindowS    float64
	MedianSamples  float64
	EndShare       float64 // of the load step
	EndDwellS      float64
	ReboundShare   float64 // of the load step; power that comes back this far is the load again
	ReboundS       float64 // what comes back less far must stay for this long
	LevelWindowS   float64 // over which the load level is taken
	OffW           float64 // below: off
	OffShare       float64 // of idle; below: off
	RestartShare   float64 // of idle; a dip below it and back: restarted
	LostBeforeS    float64 // a load that ends earlier than this before its plan is lost
	FirstRowRiseK  float64 // a recording whose probes warm by more without a start of the load begins on load
	OnAtStartS     float64 // before it no run is taken to have begun on load
	AwaitLoadS     float64 // live: a load that is this late is asked for
	RebaseShare    float64 // a further rise by this share after power-on moves the load start

	// Settling.
	SlopeWindowS  float64
	SlopeApartS   float64
	SteadyKPerH   float64
	SettledKPerH  float64
	AmbientLagS   float64 // low pass of the room for slopes
	ExtrapolateS  float64 // shortest load that is extrapolated
	ExtrapKnownS  float64 // the same when KnownTauS is given
	KnownTauS     float64 // time constant known from a longer run; zero: none
	TauTolerance  float64 // share
	TailFreeShare float64 // share of the load used when tau is free
	TailFreeCheck float64 // share of the second window
	TailTauShare  float64 // share of the load used when tau is known
	TailTauCheck  float64
	ExtrapFloorK  float64 // smallest uncertainty of an extrapolation, standard

	// Room.
	AmbientLowC    float64
	AmbientHighC   float64
	AmbientInBand  float64
	AmbientDriftK  float64 // per hour, over the last hour
	AmbientMedianS float64
	AmbientBeforeS float64
	ReferenceC     float64
	ReferenceCoeff float64
	ReferenceCoefU float64
	ReferenceWarnK float64
	ReferenceMaxK  float64
	RecirculationK float64 // intake above room by more: recirculation
	StartColdK     float64 // hot spot within this of the room when the load starts

	// Zero spread of the probes before power.
	ZeroSpreadK        float64
	ZeroSpreadTrimmedK float64
	ZeroWindowS        float64

	// Limiting.
	EarlyShare       float64 // of the step; a larger early fall is an early step
	DipShare         float64
	DipSigma         float64
	DipW             float64
	DipWindowS       float64
	DipMinS          float64
	DipMaxS          float64
	DipMergeS        float64
	PatternRegular   float64
	PatternLoss      float64
	CycleMaxS        float64
	CycleMinDips     float64
	CycleColdTheta   float64
	CycleProbability float64
	CycleLoss        float64
	FlatSpanS        float64 // shortest stretch
	FlatSpanMaxS     float64
	FlatHotK         float64
	FlatFall         float64
	FlatSE           float64
	FlatKendall      float64
	FlatCoolK        float64
	FlatRealised     float64
	BlockS           float64
	LossShare        float64 // of the step; counts as power not held
	BlockFall        float64
	LowPowerShare    float64 // live: below this share of its reference
	LowPowerS        float64
	LiveStretchS     float64 // live: the newest stretch of the load that is looked at for limiting
	LiveJudgeS       float64 // live: how often
	CounterShare     float64 // counter and integral may differ by this

	// Probe health.
	HealthAtS       float64 // after the load's start, when shares of the rise are judged
	NeverShare      float64
	ReversedShare   float64
	HealthRiseK     float64 // the others must have risen this much
	DetachedShare   float64
	DetachedK       float64
	DetachedWithinS float64
	PickupK         float64
	PickupSlopeS    float64
	StuckS          float64
	ResistanceShare float64 // rise over power changes by more within ResistanceS: fan or mount
	ResistanceS     float64

	// Uncertainty.
	CoverageFactor  float64
	PeakNoiseK      float64 // standard
	UnsettledK      float64 // limits, when settled
	RunToRunK       float64 // standard, pooled
	LoadRepeatShare float64 // of the rise, standard share 1/sqrt(3) of it
	AmbientU        float64 // standard, of the room's effect on a rise

	// Comparison.
	MatchLoadShare float64
	MatchAmbientK  float64
}

// Default gives every constant its default. DefaultExpK stands for a class 1
// thermocouple on a precision converter as bought.
func Default() Set {
	return Set{
		SealLagS:  2,
		PeakHoldS: 10, PeakGood: 0.5, MedianPeakS: 60, AboveHystK: 1, AboveMinS: 10,
		CoverageMin: 0.95, GapMaxS: 60, GapPeriods: 3, LostS: 60, DefaultExpK: 2.8, DefaultShare: 0.02,
		StartRiseW: 15, StartRiseShare: 0.25, StartSigma: 6, StartDwellS: 10, IdleWindowS: 120, MedianSamples: 5,
		EndShare: 0.3, EndDwellS: 90, ReboundShare: 0.7, ReboundS: 60, LevelWindowS: 600, OffW: 8, OffShare: 0.3, RestartShare: 0.5,
		LostBeforeS: 30, FirstRowRiseK: 15, OnAtStartS: 300, AwaitLoadS: 600, RebaseShare: 0.6,
		SlopeWindowS: 1200, SlopeApartS: 600, SteadyKPerH: 2, SettledKPerH: 6, AmbientLagS: 300,
		ExtrapolateS: 3600, ExtrapKnownS: 2700, TauTolerance: 0.15,
		TailFreeShare: 0.67, TailFreeCheck: 0.5, TailTauShare: 0.5, TailTauCheck: 0.33, ExtrapFloorK: 0.15,
		AmbientLowC: 21, AmbientHighC: 25, AmbientInBand: 0.95, AmbientDriftK: 1, AmbientMedianS: 300,
		AmbientBeforeS: 900, ReferenceC: 23, ReferenceCoeff: 1, ReferenceCoefU: 0.05, ReferenceWarnK: 3,
		ReferenceMaxK: 5, RecirculationK: 1, StartColdK: 3,
		ZeroSpreadK: 2, ZeroSpreadTrimmedK: 1, ZeroWindowS: 180,
		EarlyShare: 0.05, DipShare: 0.08, DipSigma: 6.5, DipW: 5, DipWindowS: 150, DipMinS: 2, DipMaxS: 240,
		DipMergeS: 2, PatternRegular: 0.1, PatternLoss: 0.02, CycleMaxS: 60, CycleMinDips: 4,
		CycleColdTheta: 0.7, CycleProbability: 0.002, CycleLoss: 0.01,
		FlatSpanS: 900, FlatSpanMaxS: 2400, FlatHotK: 1, FlatFall: 0.03, FlatSE: 4, FlatKendall: -0.4,
		FlatCoolK: 1.3, FlatRealised: 0.4, BlockS: 30, LossShare: 0.03, BlockFall: 0.05,
		LowPowerShare: 0.9, LowPowerS: 60, LiveStretchS: 3600, LiveJudgeS: 60, CounterShare: 0.01,
		HealthAtS: 600, NeverShare: 0.25, ReversedShare: -0.25, HealthRiseK: 3,
		DetachedShare: 0.2, DetachedK: 3, DetachedWithinS: 120, PickupK: 0.8, PickupSlopeS: 0.5, StuckS: 60,
		ResistanceShare: 0.1, ResistanceS: 600,
		CoverageFactor: 2, PeakNoiseK: 0.08, UnsettledK: 0.3, RunToRunK: 0.4, LoadRepeatShare: 0.01, AmbientU: 0.2,
		MatchLoadShare: 0.05, MatchAmbientK: 1,
	}
}

// field is one constant, its name and the values it may take.
type field struct {
	name      string
	p         *float64
	low, high float64
}

const (
	longestS = 7 * 86400.0
	anyUp    = 1e9
)

func (c *Set) fields() []field {
	return append(append(c.peakFields(), c.loadFields()...), append(c.limitingFields(), c.restFields()...)...)
}

func (c *Set) peakFields() []field {
	return []field{
		{"seal_lag_s", &c.SealLagS, 0, 60},
		{"peak_hold_s", &c.PeakHoldS, 1, 3600},
		{"peak_good", &c.PeakGood, 0, 1},
		{"median_peak_s", &c.MedianPeakS, 1, 3600},
		{"above_hysteresis_k", &c.AboveHystK, 0, 100},
		{"above_min_s", &c.AboveMinS, 0, 3600},
		{"coverage_min", &c.CoverageMin, 0, 1},
		{"gap_max_s", &c.GapMaxS, 0, longestS},
		{"gap_periods", &c.GapPeriods, 1, 100},
		{"lost_s", &c.LostS, 1, longestS},
		{"default_expanded_k", &c.DefaultExpK, 0, 100},
		{"default_expanded_share", &c.DefaultShare, 0, 1},
		{"steady_k_per_h", &c.SteadyKPerH, 0, 1000},
		{"settled_k_per_h", &c.SettledKPerH, 0, 1000},
		{"slope_window_s", &c.SlopeWindowS, 300, 86400},
		{"slope_apart_s", &c.SlopeApartS, 0, 86400},
		{"ambient_lag_s", &c.AmbientLagS, 0, 86400},
		{"extrapolate_s", &c.ExtrapolateS, 600, longestS},
		{"extrapolate_known_s", &c.ExtrapKnownS, 600, longestS},
		{"known_tau_s", &c.KnownTauS, 0, longestS},
		{"tau_tolerance", &c.TauTolerance, 0, 1},
		{"tail_free_share", &c.TailFreeShare, 0.1, 1},
		{"tail_free_check", &c.TailFreeCheck, 0.1, 1},
		{"tail_known_share", &c.TailTauShare, 0.1, 1},
		{"tail_known_check", &c.TailTauCheck, 0.1, 1},
		{"extrapolate_floor_k", &c.ExtrapFloorK, 0, 100},
		{"ambient_low_c", &c.AmbientLowC, -100, 200},
		{"ambient_high_c", &c.AmbientHighC, -100, 200},
		{"ambient_in_band", &c.AmbientInBand, 0, 1},
		{"ambient_drift_k", &c.AmbientDriftK, 0, 100},
		{"ambient_median_s", &c.AmbientMedianS, 1, 86400},
		{"ambient_before_s", &c.AmbientBeforeS, 1, 86400},
		{"reference_ambient_c", &c.ReferenceC, -100, 200},
		{"reference_coefficient", &c.ReferenceCoeff, 0, 3},
		{"reference_coefficient_u", &c.ReferenceCoefU, 0, 1},
		{"reference_warn_k", &c.ReferenceWarnK, 0, 100},
		{"reference_refuse_k", &c.ReferenceMaxK, 0, 100},
		{"recirculation_k", &c.RecirculationK, 0, 100},
		{"start_cold_k", &c.StartColdK, 0, 100},
		{"zero_spread_k", &c.ZeroSpreadK, 0, 100},
		{"zero_spread_trimmed_k", &c.ZeroSpreadTrimmedK, 0, 100},
		{"zero_window_s", &c.ZeroWindowS, 1, 86400},
	}
}

func (c *Set) loadFields() []field {
	return []field{
		{"start_rise_w", &c.StartRiseW, 0, anyUp},
		{"start_rise_share", &c.StartRiseShare, 0, 10},
		{"start_sigma", &c.StartSigma, 0, 100},
		{"start_dwell_s", &c.StartDwellS, 0, 600},
		{"idle_window_s", &c.IdleWindowS, 5, 3600},
		{"median_samples", &c.MedianSamples, 1, 31},
		{"end_share", &c.EndShare, 0, 1},
		{"end_dwell_s", &c.EndDwellS, 0, 3600},
		{"rebound_share", &c.ReboundShare, 0, 1},
		{"rebound_s", &c.ReboundS, 0, 3600},
		{"level_window_s", &c.LevelWindowS, 10, 3600},
		{"off_w", &c.OffW, 0, anyUp},
		{"off_share", &c.OffShare, 0, 1},
		{"restart_share", &c.RestartShare, 0, 1},
		{"lost_before_s", &c.LostBeforeS, 0, longestS},
		{"first_row_rise_k", &c.FirstRowRiseK, 0, 1000},
		{"on_at_start_s", &c.OnAtStartS, 60, 86400},
		{"await_load_s", &c.AwaitLoadS, 1, longestS},
		{"rebase_share", &c.RebaseShare, 0.1, 100},
		{"counter_share", &c.CounterShare, 0, 1},
	}
}

func (c *Set) limitingFields() []field {
	return []field{
		{"early_share", &c.EarlyShare, 0, 1},
		{"dip_share", &c.DipShare, 0, 1},
		{"dip_sigma", &c.DipSigma, 0, 100},
		{"dip_w", &c.DipW, 0, anyUp},
		{"dip_window_s", &c.DipWindowS, 10, 3600},
		{"dip_min_s", &c.DipMinS, 1, 3600},
		{"dip_max_s", &c.DipMaxS, 1, 3600},
		{"dip_merge_s", &c.DipMergeS, 0, 600},
		{"pattern_regularity", &c.PatternRegular, 0, 10},
		{"pattern_loss", &c.PatternLoss, 0, 1},
		{"cycle_max_s", &c.CycleMaxS, 1, 3600},
		{"cycle_min_dips", &c.CycleMinDips, 1, 1000},
		{"cycle_cold_share", &c.CycleColdTheta, 0, 1},
		{"cycle_probability", &c.CycleProbability, 0, 1},
		{"cycle_loss", &c.CycleLoss, 0, 1},
		{"flat_span_s", &c.FlatSpanS, 60, 86400},
		{"flat_span_max_s", &c.FlatSpanMaxS, 60, 86400},
		{"flat_hot_k", &c.FlatHotK, 0, 100},
		{"flat_fall", &c.FlatFall, 0, 1},
		{"flat_se", &c.FlatSE, 0, 100},
		{"flat_kendall", &c.FlatKendall, -1, 1},
		{"flat_cool_k", &c.FlatCoolK, 0, 100},
		{"flat_realised", &c.FlatRealised, 0, 1},
		{"block_s", &c.BlockS, 5, 600},
		{"loss_share", &c.LossShare, 0, 1},
		{"block_fall", &c.BlockFall, 0, 1},
		{"low_power_share", &c.LowPowerShare, 0, 1},
		{"low_power_s", &c.LowPowerS, 1, 3600},
		{"live_stretch_s", &c.LiveStretchS, 1200, 86400},
		{"live_judge_s", &c.LiveJudgeS, 10, 86400},
	}
}

func (c *Set) restFields() []field {
	return []field{
		{"health_at_s", &c.HealthAtS, 60, 86400},
		{"never_attached_share", &c.NeverShare, 0, 1},
		{"reversed_share", &c.ReversedShare, -10, 0},
		{"health_rise_k", &c.HealthRiseK, 0, 1000},
		{"detached_share", &c.DetachedShare, 0, 1},
		{"detached_k", &c.DetachedK, 0, 1000},
		{"detached_within_s", &c.DetachedWithinS, 1, 3600},
		{"pickup_k", &c.PickupK, 0, 1000},
		{"pickup_slope_s", &c.PickupSlopeS, 0, 100},
		{"stuck_s", &c.StuckS, 2, 86400},
		{"resistance_share", &c.ResistanceShare, 0, 10},
		{"resistance_s", &c.ResistanceS, 60, 86400},
		{"coverage_factor", &c.CoverageFactor, 1, 10},
		{"peak_noise_k", &c.PeakNoiseK, 0, 100},
		{"unsettled_k", &c.UnsettledK, 0, 100},
		{"run_to_run_k", &c.RunToRunK, 0, 100},
		{"load_repeat_share", &c.LoadRepeatShare, 0, 1},
		{"ambient_u_k", &c.AmbientU, 0, 100},
		{"match_load_share", &c.MatchLoadShare, 0, 1},
		{"match_ambient_k", &c.MatchAmbientK, 0, 100},
	}
}

// Map gives every constant by name.
func (c Set) Map() map[string]float64 {
	m := make(map[string]float64)
	for _, f := range c.fields() {
		m[f.name] = *f.p
	}
	return m
}

// Override sets constants by name. An unknown name, a value that is not finite or
// outside what the constant may be is an error that lists all of them; then
// nothing is set.
func (c *Set) Override(values map[string]float64) error {
	byName := make(map[string]field)
	for _, f := range c.fields() {
		byName[f.name] = f
	}
	var wrong []string
	for name, v := range values {
		f, ok := byName[name]
		switch {
		case !ok:
			wrong = append(wrong, fmt.Sprintf("no constant is called %q", name))
		case math.IsNaN(v) || v < f.low || v > f.high:
			wrong = append(wrong, fmt.Sprintf("%s = %v is not within %v and %v", name, v, f.low, f.high))
		}
	}
	if wrong != nil {
		sort.Strings(wrong)
		names := make([]string, 0, len(byName))
		for name := range byName {
			names = append(names, name)
		}
		sort.Strings(names)
		return fmt.Errorf("analysis constants: %s; the constants are %s",
			strings.Join(wrong, "; "), strings.Join(names, ", "))
	}
	for name, v := range values {
		*byName[name].p = v
	}
	return nil
}
