package drivers

import (
	"context"
	"fmt"
	"time"

	"soakrig/drivers/bus"
)

// Driver describes one kind of device and opens it. A driver folder exports one
// as a variable named Driver that nothing changes after start.
type Driver struct {
	Name string // the word in rig.yaml, for instance "max31855"
	Info Info
	// Open decodes src's own options, checks everything it can before touching the
	// bus, and returns a device for all inputs of the source. A refusal is an
	// *OptionError where an option is to blame, else an error that names the port.
	// A chip that does not answer is not a reason to refuse: its readings say so.
	Open func(ctx context.Context, host *bus.Host, src Source) (Device, error)
}

// Device is an open source. Its methods are called from one goroutine at a time,
// except Close, which may be called at any time and more than once.
type Device interface {
	// Converters says what the codes of each input mean, in the order of
	// Source.Inputs. It does not change while the device is open, and the caller
	// does not change it.
	Converters() []Converter
	// Read takes one sample. out has one element per input, in order; Read sets
	// every element completely, so that the caller may reuse it. What fails for one
	// input is in that input's Faults and Cause. The returned error repeats a cause
	// that concerns the whole source (a cancelled ctx, a lost port); all readings
	// carry faults then too. Read honours ctx's deadline where the bus allows it.
	Read(ctx context.Context, out []Reading) error
	// Close releases ports and pins. Read after Close returns bus.ErrClosed.
	Close() error
}

// Prober is implemented by devices that can say what they found on the line:
// identity, serial number, settings read back. soakd check prints it.
type Prober interface {
	Probe(ctx context.Context) ([]string, error)
}

// Resumer is implemented by devices that count by themselves, so that a counter would
// begin at 0 with every start of the daemon. Resume is called after Open and before the
// first Read, with the last code that was stored for an input whose converter was the
// same; the input goes on from there. What happened in between was not counted:
// Converter.CountedHere says so to whoever computes with the counter.
type Resumer interface {
	Resume(input int, code int64)
}

// Reading is one input's part of a sample: a code or the faults that stand in its
// place. With a fault, codes are evidence only and never become a value.
type Reading struct {
	Faults Faults
	Has    Fields        // which of the codes below were read
	Code   int64         // the conversion result as the chip gave it, sign-extended; what it is worth: Converter
	Cold   int64         // the cold-junction code of the same transfer
	Chip   int64         // the chip's own finished number, where Code is something else
	Age    time.Duration // from the middle of the conversion to the return of Read, >= 0
	Cause  error         // why, when Faults is not zero; nil otherwise
}

// Fields tells which codes a reading carries. Absent is not zero.
type Fields uint8

// The codes that a reading may carry.
const (
	HasCode Fields = 1 << iota
	HasCold
	HasChip
)

// Set fills the reading with a good conversion.
func (r *Reading) Set(code int64, age time.Duration) {
	*r = Reading{Has: HasCode, Code: code, Age: age}
}

// SetCold adds the cold-junction code of the same transfer.
func (r *Reading) SetCold(code int64) { r.Has |= HasCold; r.Cold = code }

// Fail marks the reading as having no value. Codes already set stay as evidence.
func (r *Reading) Fail(f Faults, cause error) {
	r.Faults |= f
	if r.Cause == nil {
		r.Cause = cause
	}
}

// Source is one entry under sources: in rig.yaml, as its driver sees it.
type Source struct {
	Name    string
	Every   time.Duration // the period soakd will call Read with, > 0
	MainsHz int           // 50 or 60: the notch that chips are to set; 0: unknown, use the chip's default
	Port    string        // for inputs that name none
	Inputs  []Input       // at least one
	Options Params        // the keys of the source that are the driver's own; never nil
}

// Input is one input of a source: one channel.
type Input struct {
	Channel string
	Port    string // never empty when the driver needs one: the source's port fills it in
	Select  string // GPIO pin that selects the chip, or empty for the port's own chip select
	Couple  string // thermocouple letter of the channel, or empty
	Kind    Kind   // what the channel says it measures; zero: whatever the driver says
	Options Params // the keys of the input that are the driver's own; never nil
}

// NoSelect refuses a chip select where there is none: what names the place of the
// device, for instance "an address on the I2C bus".
func (in Input) NoSelect(i int, what string) error {
	if in.Select == "" {
		return nil
	}
	return &OptionError{Input: i, Key: "select", Text: fmt.Sprintf("%s: the device is found by %s and has no chip select; take select off the input", in.Select, what)}
}

// Params decodes a driver's own part of rig.yaml.
type Params interface {
	// Decode stores the options in the struct that v points to, by its yaml tags.
	// Unknown keys and wrong types are errors that carry file, line and column.
	// Fields of absent keys keep what they had: set defaults before the call.
	Decode(v any) error
}

// OptionError refuses an option: what, where, and what would be right.
type OptionError struct {
	Input int    // index of the input, or -1 for the source itself
	Key   string // the option's key in rig.yaml
	Text  string // what is wrong and what to do
}

func (e *OptionError) Error() string { return e.Key + ": " + e.Text }

// Kind is what a channel measures. The zero value means unknown.
type Kind uint8

// The kinds of channels.
const (
	Temperature Kind = iota + 1 // degC
	Power                       // W
	Energy                      // J on the wire and in the journal, whatever the meter counts in
	Voltage                     // V
	Current                     // A
	Frequency                   // Hz
	Other                       // the channel names its unit
)
