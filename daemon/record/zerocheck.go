package record

import "time"

// ZeroCheck asks for a comparison of all probes of an unpowered rig.
type ZeroCheck struct {
	Length      time.Duration // of rig time; zero: 180 s
	Trim        bool          // write the offsets found as calibrations
	Operator    string        // needed for a trim
	Method      string        // zero_spread (empty means this), ice_point, steam_point
	PressureHPa *float64      // station pressure for steam_point
}

// ZeroReport is what a zero check found. Nil: not measured.
type ZeroReport struct {
	Passed         bool        `json:"passed"`
	Text           string      `json:"text"`
	SpreadK        *float64    `json:"spread_k"`
	AllowedK       *float64    `json:"allowed_k"`
	SlopeKPer10Min *float64    `json:"slope_k_per_10min"`
	ReferenceC     *float64    `json:"reference_c"`
	Probes         []ZeroProbe `json:"probes"`
	Trimmed        bool        `json:"trimmed"`
}

// ZeroProbe is one probe of a zero check.
type ZeroProbe struct {
	Channel     string   `json:"channel"`
	MeanC       *float64 `json:"mean_c"`
	OffsetK     *float64 `json:"offset_k"`
	CorrectionK *float64 `json:"correction_k"`
	Passed      bool     `json:"passed"`
	Text        string   `json:"text"`
}
