// Package iio reads chips that a driver of the kernel has claimed, through the
// kernel's files (industrial I/O, or hwmon). Each input is one folder.
//
// The kernel's drivers hide much: which fault it was, whether the chip is there at
// all, whether it lost its settings. What can be seen through the files is judged;
// what can't is listed in Info. A chip that soakd reads itself over the bus is
// judged better.
package iio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/its90"
)

// InputOpts are the keys of one input.
type InputOpts struct {
	// Chip is max31855, max6675, max31856, max31865, mcp9600, ltc2983 or hwmon; required.
	Chip string `yaml:"chip"`
	// File to read instead of the chip's usual one, for instance temp2_input.
	File string `yaml:"file"`
	// Rref in ohm, for max31865: the reference resistor.
	Rref float64 `yaml:"rref"`
	// R0 in ohm, for max31865: 100 (default) or 1000.
	R0                 float64 `yaml:"r0"`
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "iio",
	Info: drivers.Info{
		Summary: "chips that a kernel driver has: MAX31855, MAX6675, MAX31856, MAX31865, MCP9600, LTC2983 by IIO files, any sensor by hwmon files",
		Bus:     "files of the kernel: port is the folder; wildcards are fine, for instance /sys/bus/spi/devices/spi0.1/iio:device*, since numbers change from boot to boot",
		Options: append([]drivers.Option{
			{Key: "chip", Scope: "input", Unit: modelNames(), Default: "", Help: "the chip behind the folder; the kernel's own name does not tell a MAX31855 from a MAX6675. hwmon is any sensor below /sys/class/hwmon"},
			{Key: "file", Scope: "input", Unit: "name", Default: "the chip's usual one", Help: "file to read, for instance temp2_input"},
			{Key: "rref", Scope: "input", Unit: "ohm", Default: "required for max31865", Help: "reference resistor"},
			{Key: "r0", Scope: "input", Unit: "ohm: 100 1000", Default: "100", Help: "max31865: the element's resistance at 0 degC"},
		}, drivers.StepOption{}.Options()...),
		Detects:  []string{"folder or file gone", "another chip than configured, by the scale that its driver tells", "a driver set to another thermocouple type than the channel's", "a fault that the kernel's driver reports by an error (EINVAL, EIO), without its kind; open and OVUV of the MAX31856", "missing MAX31855, MAX6675, MAX31856, and MCP9600 without a conversion (zeros)", "repeated bytes of the MCP9600", "full scale and zero of the MAX31865", "out of range", "steps faster than any copper mass", "a hwmon fault file, also one that can't be read"},
		Misses:   []string{"which fault a MAX31855 has", "range, open and short bits of the MCP9600: a frozen value looks good", "settings lost by the MAX31856 while another channel keeps it from reading zero", "the fault bit of the MAX31865", "the soft faults of the LTC2983, which the kernel only logs", "the cold junction of the LTC2983 (give its file a channel of its own)", "the power-on 85 degC and the checksum of a DS18B20 by hwmon (its own driver sees both)", "that probe and cold junction are two transfers, up to one conversion apart"},
		Accuracy: []string{"the chip's own; see its driver (soakd drivers NAME)"},
		Caution:  "the MAX31856 driver of the kernel adds the cold-junction offset register a second time, without its sign: leave that register at zero. The MAX31865 driver's own scale is off by 256 degC; it is not used here.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

// Dev is an open source of one or more folders.
type Dev = drivers.Bank

// New checks src. It reads nothing.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	common := drivers.DefaultStep()
	if err := src.Options.Decode(&common); err != nil {
		return nil, err
	}
	return drivers.OpenBank("iio", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if err := in.NoSelect(i, "its folder of the kernel's files"); err != nil {
			return nil, err
		}
		o := InputOpts{R0: 100, StepOption: common}
		if err := in.Options.Decode(&o); err != nil {
			return nil, err
		}
		m, err := o.check(i, in, src.Every)
		if err != nil {
			return nil, err
		}
		steps, err := o.Steps(i)
		if err != nil {
			return nil, err
		}
		conv, err := m.converter(o, in.Couple)
		if err != nil {
			return nil, &drivers.OptionError{Input: i, Key: "couple", Text: err.Error()}
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			c := &chip{host: host, channel: in.Channel, model: m, couple: strings.ToUpper(in.Couple), slope: conv.SlopeVoltsPerK, rref: o.Rref, r0: o.R0, steps: steps}
			if err := c.openFiles(host, in); err != nil {
				return nil, drivers.Converter{}, errors.Join(err, c.Close())
			}
			return c, conv, nil
		}, nil
	})
}

func (o InputOpts) check(i int, in drivers.Input, every time.Duration) (model, error) {
	refuse := func(key, format string, args ...any) (model, error) {
		return model{}, &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	m, ok := findModel(o.Chip)
	switch {
	case !ok:
		return refuse("chip", "%q: must be one of %s; hwmon reads any sensor below /sys/class/hwmon (a MCP9808 by the kernel's jc42, for instance)", o.Chip, modelNames())
	case !filepath.IsAbs(in.Port):
		return refuse("port", "%q: give the folder of the kernel's files, for instance /sys/bus/spi/devices/spi0.1/iio:device*", in.Port)
	case isFile(in.Port):
		return refuse("port", "%q: give the folder, and the file's name as file: %s", in.Port, filepath.Base(in.Port))
	case strings.Contains(o.File, "/"):
		return refuse("file", "%q: give a name in the folder", o.File)
	case in.Kind != 0 && in.Kind != drivers.Temperature:
		return refuse("channel", "the files hold temperatures; give the channel that kind or none")
	case m.law == drivers.LawRTD && (o.R0 != 100 && o.R0 != 1000):
		return refuse("r0", "%g ohm: must be 100 or 1000", o.R0)
	case m.law == drivers.LawRTD && (o.Rref < o.R0 || o.Rref > 10*o.R0):
		return refuse("rref", "%g ohm: give the reference resistor as printed on the board (400 or 430 for Pt100)", o.Rref)
	case every < m.conversion:
		return refuse("every", "%v is shorter than one conversion of %v", every, m.conversion)
	}
	if o.File != "" {
		m.probeFile = o.File
	}
	return m, nil
}

// chip is one folder. Its fields belong to the goroutine that reads.
type chip struct {
	host     *bus.Host
	channel  string
	model    model
	couple   string  // the channel's thermocouple letter; empty: none
	slope    float64 // V/K, of a chip with a fixed one
	rref, r0 float64
	probe    bus.File
	cold     bus.File // nil: none
	flags    []flag   // files that say what an error was
	scales   []scale  // files that tell whether it is this chip
	typ      bus.File // the type that the kernel's driver is set to; nil: none
	known    bool     // scales and typ were looked at since the last failure
	files    []bus.File
	steps    drivers.Steps
	buf      [64]byte
}

// isFile tells whether a port names a file of a folder instead of the folder.
func isFile(port string) bool {
	name := filepath.Base(port)
	return strings.HasSuffix(name, "_raw") || strings.HasSuffix(name, "_input")
}

// flag is a file that holds 1 while a fault is present.
type flag struct {
	file  bus.File
	fault drivers.Faults
	word  string
}

func (c *chip) openFiles(host *bus.Host, in drivers.Input) error {
	open := func(name string) (bus.File, error) {
		f, err := host.File(bus.FileOptions{Path: filepath.Join(in.Port, name), Bus: in.Port, For: in.Channel})
		if err == nil {
			c.files = append(c.files, f)
		}
		return f, err
	}
	var err error
	if c.probe, err = open(c.model.probeFile); err != nil {
		return err
	}
	if c.model.coldFile != "" {
		if c.cold, err = open(c.model.coldFile); err != nil {
			return err
		}
	}
	add := func(name string, f drivers.Faults, word string) {
		if err != nil {
			return
		}
		var file bus.File
		if file, err = open(name); err == nil {
			c.flags = append(c.flags, flag{file, f, word})
		}
	}
	identity := func(of string, per float64) {
		stem, isRaw := strings.CutSuffix(of, "_raw")
		if err != nil || !isRaw {
			return
		}
		var file bus.File
		if file, err = open(stem + "_scale"); err == nil {
			c.scales = append(c.scales, scale{file, per})
		}
	}
	if c.model.scale != 0 {
		identity(c.model.probeFile, c.model.scale)
	}
	if c.cold != nil {
		identity(c.model.coldFile, c.model.coldPer*1000)
	}
	if c.model.typed && err == nil {
		c.typ, err = open("in_temp_thermocouple_type")
	}
	switch c.model.name {
	case "max31856":
		add("fault_oc", drivers.Open, "the chip flags an open circuit")
		add("fault_ovuv", drivers.ShortToSupply, "an input is below ground or above the supply (OVUV); the value is an old one")
	case "max31865":
		add("fault_ovuv", drivers.ShortToSupply, "an input is below ground or above the supply (OVUV)")
	case "hwmon":
		add(strings.TrimSuffix(c.model.probeFile, "_input")+"_fault", drivers.DeviceError, "the kernel's driver reports a fault of the sensor")
	}
	return err
}

// number reads a file that holds one integer.
func (c *chip) number(ctx context.Context, f bus.File) (int64, error) {
	n, err := f.Read(ctx, c.buf[:])
	if err != nil {
		return 0, err
	}
	if n == len(c.buf) {
		return 0, &textError{f.String(), errors.New("longer than any number")}
	}
	v, err := strconv.ParseInt(strings.TrimSpace(string(c.buf[:n])), 10, 64)
	if err != nil {
		return 0, &textError{f.String(), err}
	}
	return v, nil
}

// textError is a file that does not hold a number.
type textError struct {
	file string
	err  error
}

func (e *textError) Error() string { return e.file + ": " + e.err.Error() }
func (e *textError) Unwrap() error { return e.err }

// fails words a read that failed: which fault it stands for.
func (c *chip) fails(err error) (drivers.Faults, error) {
	var text *textError
	err = fmt.Errorf("channel %s: %w", c.channel, err)
	switch {
	case errors.As(err, &text):
		return drivers.Corrupt, err
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV):
		return drivers.NoChip, fmt.Errorf("%w: the kernel has no such device now", err)
	case errors.Is(err, syscall.EINVAL):
		return drivers.DeviceError, fmt.Errorf("%w: the kernel's driver reports a fault of the probe and does not say which (open or short)", err)
	}
	return drivers.TransferFaults(err), err
}

// Read reads the chip's files and judges them.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	err := c.read(ctx, r)
	if r.Faults&^(drivers.Implausible|drivers.OutOfRange) != 0 {
		c.known = false
	}
	return err
}

func (c *chip) read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	var cold int64
	code, err := c.number(ctx, c.probe)
	if err == nil && c.cold != nil {
		cold, err = c.number(ctx, c.cold)
	}
	if err != nil {
		f, cause := c.fails(err)
		r.Fail(f, cause)
		if drivers.EndsRead(err) {
			return err
		}
	}
	if flagErr := c.readFlags(ctx, r); flagErr != nil {
		return flagErr
	}
	if err != nil {
		return err
	}
	if !c.known {
		f, err := c.identify(ctx)
		if f != 0 {
			r.Fail(f, fmt.Errorf("channel %s: %w", c.channel, err))
			return err
		}
		c.known = true
	}
	code, cold = c.model.signed(code), c.model.signed(cold)
	if c.model.zeroIsNone && code == 0 && cold == 0 {
		r.Fail(drivers.NoChip, fmt.Errorf("channel %s: zero in every file: no chip, a chip without settings after a supply dip, or a probe at exactly 0 degC, which these files can't tell apart", c.channel))
		return nil
	}
	if c.model.sixteenBit && repeats(code) && repeats(cold) {
		r.Fail(drivers.Corrupt, fmt.Errorf("channel %s: codes %04Xh and %04Xh: all bytes equal: the controller ignores clock stretching and repeats bytes", c.channel, code&0xFFFF, cold&0xFFFF))
		return nil
	}
	r.Has, r.Code, r.Age = drivers.HasCode, code, c.model.conversion // beside the faults of the files
	if c.cold != nil {
		r.SetCold(cold)
	}
	if r.Faults == 0 {
		c.judge(r)
	}
	return nil
}

// readFlags adds what the fault files say. A file that is not there says nothing; one
// that can't be read may hide a fault, so that the value counts no more.
func (c *chip) readFlags(ctx context.Context, r *drivers.Reading) error {
	for _, f := range c.flags {
		v, err := c.number(ctx, f.file)
		switch {
		case err == nil && v != 0:
			r.Fail(f.fault, fmt.Errorf("channel %s: %s", c.channel, f.word))
		case err == nil || absent(err):
		default:
			fault, cause := c.fails(err)
			r.Fail(fault, cause)
			if drivers.EndsRead(err) {
				return err
			}
		}
	}
	return nil
}

func (c *chip) judge(r *drivers.Reading) {
	if c.cold != nil {
		if v := float64(r.Cold) * c.model.coldPer; v < -55 || v > 125 {
			r.Fail(drivers.ColdJunction, fmt.Errorf("channel %s: cold junction %.4f degC: outside -55 to 125 degC", c.channel, v))
		}
	}
	if c.model.law == drivers.LawRTD && r.Code >= 0x7FFF {
		r.Fail(drivers.Open, fmt.Errorf("channel %s: full scale: open element", c.channel))
		return
	}
	v := c.model.roughC(r.Code, c.rref, c.r0)
	if v < c.model.minC || v > c.model.maxC || c.model.law == drivers.LawRTD && r.Code <= 0 {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: %.2f degC (code %d): outside %g to %g degC", c.channel, v, r.Code, c.model.minC, c.model.maxC))
	}
	if c.model.law == drivers.LawFixedSlope && r.Faults == 0 {
		c.within(v, r)
	}
	if r.Faults != 0 {
		return
	}
	if cause := c.steps.Check(v, c.host.Now()); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
}

// within looks whether the couple can have made the EMF behind the number of a chip
// with a fixed slope. The number itself is no temperature: it may be above the range.
func (c *chip) within(chipC float64, r *drivers.Reading) {
	couple, err := its90.ParseType(c.couple)
	if err != nil {
		return // New has refused it
	}
	coldC := float64(r.Cold) * c.model.coldPer
	volts, err := couple.EMFVolts(coldC)
	if err == nil {
		_, err = couple.TempC(volts + (chipC-coldC)*c.slope)
	}
	if err != nil {
		r.Fail(drivers.OutOfRange, fmt.Errorf("channel %s: the chip shows %.2f degC with the cold junction at %.4f degC: %w", c.channel, chipC, coldC, err))
	}
}

// Probe shows the raw numbers.
func (c *chip) Probe(ctx context.Context) (string, error) {
	code, err := c.number(ctx, c.probe)
	if err != nil {
		return "", fmt.Errorf("channel %s: %w", c.channel, err)
	}
	line := fmt.Sprintf("%s at %s: %d", c.channel, c.probe, code)
	if c.cold == nil {
		return line, nil
	}
	cold, err := c.number(ctx, c.cold)
	if err != nil {
		return "", fmt.Errorf("channel %s: %w", c.channel, err)
	}
	return fmt.Sprintf("%s, cold junction %d = %.4f degC", line, cold, float64(c.model.signed(cold))*c.model.coldPer), nil
}

// ReadyAt is zero: the kernel has had the chip all along.
func (c *chip) ReadyAt() time.Time { return time.Time{} }

// Close implements drivers.Chip.
func (c *chip) Close() error {
	var errs []error
	for _, f := range c.files {
		errs = append(errs, f.Close())
	}
	return errors.Join(errs...)
}
