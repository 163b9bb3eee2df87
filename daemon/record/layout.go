package record

// Layout says what the codes of samples mean: sources, channels, converters and
// calibrations in force. A new one is stored whenever any of it changes, with the
// next ID. IDs start at 1.
type Layout struct {
	ID       uint32    `json:"id"`
	Rig      string    `json:"rig"`
	Sources  []Source  `json:"sources"`
	Channels []Channel `json:"channels"`
}

// Source is one source of a layout.
type Source struct {
	Name     string `json:"name"`
	Driver   string `json:"driver"`
	EveryNS  int64  `json:"every_ns"`
	Channels []int  `json:"channels"` // indices into Layout.Channels, in the order of Sample.Raw
}

// Channel is one named quantity.
type Channel struct {
	Name        string       `json:"name"`
	Kind        Kind         `json:"kind"`
	Unit        string       `json:"unit"` // degC, W, J, V, A, Hz or the channel's own word
	Role        Role         `json:"role"`
	Place       string       `json:"place,omitempty"`
	Couple      string       `json:"couple,omitempty"` // thermocouple letter
	Class       string       `json:"class,omitempty"`  // tolerance class of the couple: iec-1, iec-2, astm-special, ...
	Spool       string       `json:"spool,omitempty"`  // spool of wire: probes of one spool share its error; empty: one spool per couple and class
	Converter   Converter    `json:"converter"`
	Cold        ColdJunction `json:"cold"`
	Calibration *Calibration `json:"calibration,omitempty"`
	Lines       []Line       `json:"lines,omitempty"` // uncertainty beyond converter and couple: mounting, pickup, ...
}

// ColdJunction says where a thermocouple channel's cold junction comes from.
type ColdJunction struct {
	From    string   `json:"from,omitempty"`    // "chip" (empty means chip), "channel", "fixed"
	Channel string   `json:"channel,omitempty"` // with "channel": the isothermal-block sensor
	FixedC  *float64 `json:"fixed_c,omitempty"` // with "fixed"
}

// Converter is drivers.Converter as stored; see there for the laws.
type Converter struct {
	Model          string  `json:"model"`
	Law            Law     `json:"law"`
	PerCode        float64 `json:"per_code"`
	Offset         float64 `json:"offset,omitempty"`
	ColdPerCode    float64 `json:"cold_per_code,omitempty"`
	SlopeVoltsPerK float64 `json:"slope_v_per_k,omitempty"`
	R0Ohms         float64 `json:"r0_ohms,omitempty"`
	Modulus        float64 `json:"modulus,omitempty"`
	CountedHere    bool    `json:"counted_here,omitempty"`
	// Masks are faults that the chip flags and the configuration tells to leave out.
	Masks        []string `json:"masks,omitempty"`
	ConversionNS int64    `json:"conversion_ns,omitempty"`
	Lines        []Line   `json:"lines,omitempty"`
}

// Law says how a code becomes a value. Numbers equal those of drivers.Law.
type Law uint8

// The laws; drivers.Law documents each.
const (
	LawEMF              Law = 1
	LawFixedSlope       Law = 2
	LawLinearised       Law = 3
	LawFixedSlopeNoCold Law = 4
	LawRTD              Law = 5
	LawLinear           Law = 6
	LawFloat32          Law = 7
	LawFloat64          Law = 8
)

// Line is one line of an uncertainty budget as stated by its source: limits of
// +-(Half + Rel*|reading|).
type Line struct {
	Name     string  `json:"name"`
	Half     float64 `json:"half"`
	Rel      float64 `json:"rel,omitempty"`
	In       string  `json:"in,omitempty"`        // "value" (empty means value), "emf", "cold"
	Sigma    float64 `json:"sigma,omitempty"`     // limits are Sigma standard deviations; zero: rectangular
	SharedBy string  `json:"shared_by,omitempty"` // spool, converter, channel, rig, room; empty: nothing
	Source   string  `json:"source,omitempty"`
}

// Calibration is what was found by comparing a channel with a reference. The
// corrected value is raw*Gain + OffsetK where a gain is given, plus the table's
// correction. The raw code is always kept beside it.
type Calibration struct {
	ID         string       `json:"id"`
	Channel    string       `json:"channel"`
	OffsetK    float64      `json:"offset_k"`        // added; in the channel's unit
	Gain       float64      `json:"gain,omitempty"`  // zero means 1
	Table      []Correction `json:"table,omitempty"` // ascending, linear between points, constant outside
	Trimmed    bool         `json:"trimmed"`         // converter, cold junction and terminals were trimmed at zero spread
	UncertainK float64      `json:"uncertain_k"`     // standard uncertainty of the correction; zero: not stated
	Checked    string       `json:"checked"`         // date, YYYY-MM-DD
	ValidUntil string       `json:"valid_until"`     // date; empty: not stated
	By         string       `json:"by"`              // who
	Evidence   string       `json:"evidence"`        // how
	SharedBy   string       `json:"shared_by,omitempty"`
}

// Correction is one point of a calibration table.
type Correction struct {
	ReferenceC  float64 `json:"reference_c"`
	CorrectionK float64 `json:"correction_k"` // to be added to the reading
}
