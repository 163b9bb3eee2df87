package bus

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/gpio"
)

// Decoder is a chip select made by a decoder such as the 74HC138: address lines
// choose one of its outputs, an enable that idles high lets it go low. Without a pin
// the enable is the port's own chip select, which the kernel drives for each transfer.
//
// The address changes only while the decoder is disabled, so that no other output
// sees a pulse. Enables that are active high must be tied to the supply.
type Decoder struct {
	Lines  []string // GPIO pins, lowest bit first; 1 to 4
	Enable string   // GPIO pin, active low; empty: the port's own chip select
	Output int      // 0 to 2^lines - 1
}

// Select is the decoder's output as the text that SPIOptions.Select takes:
// "decoder GPIO5 GPIO6 GPIO13 enable GPIO19 output 3".
func (d Decoder) Select() string { return fmt.Sprintf("%s output %d", d.name(), d.Output) }

func (d Decoder) name() string {
	s := "decoder " + strings.Join(d.Lines, " ")
	if d.Enable != "" {
		s += " enable " + d.Enable
	}
	return s
}

// pins are all that the decoder needs, in capitals.
func (d Decoder) pins() []string {
	all := append([]string(nil), d.Lines...)
	if d.Enable != "" {
		all = append(all, d.Enable)
	}
	for i := range all {
		all[i] = strings.ToUpper(all[i])
	}
	return all
}

// Check says what is wrong with a decoder, and what would be right.
func (d Decoder) Check() error {
	if n := len(d.Lines); n < 1 || n > 4 {
		return fmt.Errorf("decoder: %d address lines: must be 1 to 4 GPIO pins, lowest bit first", n)
	}
	if d.Output < 0 || d.Output >= 1<<len(d.Lines) {
		return fmt.Errorf("decoder: output %d: %d address lines give outputs 0 to %d", d.Output, len(d.Lines), 1<<len(d.Lines)-1)
	}
	all := d.pins()
	for i, pin := range all {
		if pin == "" || strings.ContainsAny(pin, " \t") {
			return fmt.Errorf("decoder: %q is no name of a pin", pin)
		}
		if slices.Index(all, pin) < i {
			return fmt.Errorf("decoder: pin %s is named twice: every line needs a pin of its own", pin)
		}
	}
	return nil
}

// ParseSelect reads the text of SPIOptions.Select; nil means a plain pin, or none.
func ParseSelect(text string) (*Decoder, error) {
	words := strings.Fields(text)
	if len(words) < 2 || !strings.EqualFold(words[0], "decoder") {
		return nil, nil
	}
	d := &Decoder{Output: -1}
	for i := 1; i < len(words); i++ {
		switch word := strings.ToLower(words[i]); {
		case word != "enable" && word != "output":
			d.Lines = append(d.Lines, words[i])
			continue
		case i+1 == len(words):
			return nil, fmt.Errorf("select %q: nothing after %s", text, word)
		case word == "enable":
			d.Enable = words[i+1]
		default:
			n, err := strconv.Atoi(words[i+1])
			if err != nil {
				return nil, fmt.Errorf("select %q: output %q is no number", text, words[i+1])
			}
			d.Output = n
		}
		i++
	}
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("select %q: %w; write for instance decoder GPIO5 GPIO6 GPIO13 enable GPIO19 output 3", text, err)
	}
	return d, nil
}

// decoderUse is a decoder that chips of one port share.
type decoderUse struct {
	port string
	refs int // claims; guarded by Host.mu

	// Guarded by the token of the port's owner.
	open   int // selections
	lines  []SelectPin
	levels []lineLevel
	enable SelectPin // nil: the port's own chip select
}

// lineLevel is what an address line was driven to.
type lineLevel int8

const (
	lineUnknown lineLevel = iota // before the first, and after one that failed
	lineLow
	lineHigh
)

// claimDecoder takes an output of a decoder, and with the first output its pins.
func (h *Host) claimDecoder(o SPIOptions, d *Decoder) ([]string, error) {
	output := o.Port + " " + strings.ToUpper(d.Select())
	if err := h.claim(output, o.For, fmt.Sprintf("%s and %s are both on output %d of the decoder at %s; give one of them another output",
		orNobody(h.holder(output)), orNobody(o.For), d.Output, strings.Join(d.Lines, " "))); err != nil {
		return nil, err
	}
	if err := h.joinDecoder(o, d); err != nil {
		h.unclaim(output)
		return nil, err
	}
	return []string{output}, nil
}

func (h *Host) joinDecoder(o SPIOptions, d *Decoder) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	name := strings.ToUpper(d.name())
	if use := h.decoders[name]; use != nil {
		if use.port != o.Port {
			return fmt.Errorf("%s serves %s already: a decoder's address lines belong to one port; put its chips on that port", d.name(), use.port)
		}
		use.refs++
		return nil
	}
	own := "select " + o.Port
	if who, used := h.claims[own]; used && d.Enable == "" {
		return fmt.Errorf("%s uses the chip select of %s itself, and %s is enabled by it: the kernel would select both chips at once; "+
			"give the decoder an enable pin, or its chips a port whose own chip select serves no chip", orNobody(who), o.Port, d.name())
	}
	for _, pin := range d.pins() {
		if who, used := h.claims["pin "+pin]; used {
			return fmt.Errorf("pin %s is used by %s and named as a line of %s; give one of them another pin", pin, orNobody(who), d.name())
		}
	}
	for _, pin := range d.pins() {
		h.claims["pin "+pin] = d.name()
	}
	if d.Enable == "" {
		h.claims[own] = d.name()
	}
	h.decoders[name] = &decoderUse{port: o.Port, refs: 1}
	return nil
}

// leaveDecoder gives one output back, and with the last one the pins.
func (h *Host) leaveDecoder(port string, d *Decoder) {
	h.mu.Lock()
	defer h.mu.Unlock()
	name := strings.ToUpper(d.name())
	use := h.decoders[name]
	if use.refs--; use.refs > 0 {
		return
	}
	delete(h.decoders, name)
	for _, pin := range d.pins() {
		delete(h.claims, "pin "+pin)
	}
	if d.Enable == "" {
		delete(h.claims, "select "+port)
	}
}

// openDecoder claims the lines for the first chip: the enable before the address, so
// that nothing is selected meanwhile. The port's token is held.
func (h *Host) openDecoder(d *Decoder) (selection, error) {
	h.mu.Lock()
	use := h.decoders[strings.ToUpper(d.name())]
	h.mu.Unlock()
	if use.open == 0 {
		if err := h.openLines(use, d); err != nil {
			return nil, errors.Join(err, use.close())
		}
	}
	use.open++
	return &decoderSelection{use: use, of: d}, nil
}

func (h *Host) openLines(use *decoderUse, d *Decoder) error {
	if d.Enable != "" {
		pin, err := h.selectPin(d.Enable)
		if err != nil {
			return err
		}
		use.enable = pin
	}
	for _, name := range d.Lines {
		pin, err := h.selectPin(name)
		if err != nil {
			return err
		}
		use.lines = append(use.lines, pin)
	}
	use.levels = make([]lineLevel, len(use.lines))
	for i := range use.levels {
		use.levels[i] = lineHigh // as selectPin leaves it
	}
	return nil
}

// close gives the lines back, the enable high before the address goes.
func (u *decoderUse) close() error {
	var errs []error
	if u.enable != nil {
		errs = append(errs, u.enable.Out(gpio.High))
	}
	for _, pin := range u.lines {
		errs = append(errs, pin.Close())
	}
	if u.enable != nil {
		errs = append(errs, u.enable.Close())
	}
	u.enable, u.lines, u.levels = nil, nil, nil
	return errors.Join(errs...)
}

// decoderSelection is one output.
type decoderSelection struct {
	use *decoderUse
	of  *Decoder
}

func (s *decoderSelection) String() string { return s.of.Select() }

// on sets the address while the decoder is disabled, then enables it.
func (s *decoderSelection) on() error {
	for i, pin := range s.use.lines {
		level, want := gpio.Low, lineLow
		if s.of.Output>>i&1 == 1 {
			level, want = gpio.High, lineHigh
		}
		if s.use.levels[i] == want {
			continue
		}
		s.use.levels[i] = lineUnknown
		if err := pin.Out(level); err != nil {
			return fmt.Errorf("address line %s: %w", s.of.Lines[i], err)
		}
		s.use.levels[i] = want
	}
	if s.use.enable == nil {
		return nil // the kernel does, for the transfer
	}
	if err := s.use.enable.Out(gpio.Low); err != nil {
		return fmt.Errorf("enable %s: %w", s.of.Enable, err)
	}
	return nil
}

func (s *decoderSelection) off() error {
	if s.use.enable == nil {
		return nil
	}
	return s.use.enable.Out(gpio.High)
}

// release gives the output back; the last one gives the lines back.
func (s *decoderSelection) release() error {
	if s.use.open--; s.use.open > 0 {
		return s.off()
	}
	return s.use.close()
}
