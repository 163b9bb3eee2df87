// Package ds18b20 reads DS18B20 temperature sensors through the kernel's 1-Wire
// driver, one sensor per input: the file w1_slave, whose reading starts a
// conversion and takes up to 750 ms.
//
// The file shows all nine bytes of the sensor's memory, so everything the kernel
// judges is judged again here: checksum, the power-on value of 85 degC, memory of
// zeros (whose checksum is right) and of ones.
package ds18b20

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

const (
	sheet      = "DS18B20 data sheet 19-7487 rev 4"
	devices    = "/sys/bus/w1/devices"
	conversion = 750 * time.Millisecond // 12 bit, longest
	codeC      = 0.0625
	minC, maxC = -55.0, 125.0
	size       = 9
	fileName   = "w1_slave"
)

// Opts are the keys of the source.
type Opts struct {
	drivers.StepOption `yaml:",inline"`
}

// Driver is the driver's entry in drivers/all.
var Driver = drivers.Driver{
	Name: "ds18b20",
	Info: drivers.Info{
		Summary:  "DS18B20 temperature sensor on 1-Wire, -55 to 125 degC, through the kernel's driver",
		Bus:      "1-Wire of the kernel: port is the sensor's name (28-0000051e2f3a) or its folder below " + devices,
		Options:  drivers.StepOption{}.Options(),
		Fastest:  conversion,
		Detects:  []string{"sensor gone (no file, memory of zeros or ones)", "checksum wrong, also the value that the kernel then keeps from before", "the power-on value of 85 degC, taken before a conversion", "out of range", "steps faster than any copper mass"},
		Misses:   []string{"a sensor at 85.00 degC whose memory reads as after power-up (it is refused)", "imitations with other figures", "a sensor that was set to fewer than 12 bit: its step is up to 0.5 degC, and the budget counts that of 12 bit (soakd check tells the setting)"},
		Accuracy: []string{"+-0.5 degC at -10 to 85 degC, +-2 at -55 to 125 degC (" + sheet + ", p1)"},
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		dev, err := New(host, src)
		if err != nil {
			return nil, err
		}
		return dev, nil
	},
}

// Dev is an open source of one or more sensors.
type Dev = drivers.Bank

// New checks src. It reads nothing.
func New(host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{drivers.DefaultStep()}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if need := conversion * time.Duration(len(src.Inputs)); src.Every < need {
		return nil, &drivers.OptionError{Input: -1, Key: "every", Text: fmt.Sprintf("%v is shorter than %d conversions one after the other, %v", src.Every, len(src.Inputs), need)}
	}
	return drivers.OpenBank("ds18b20", host, src, func(i int, in drivers.Input) (drivers.Opening, error) {
		if err := in.NoSelect(i, "its name on the 1-Wire bus"); err != nil {
			return nil, err
		}
		own := o
		if err := in.Options.Decode(&own); err != nil {
			return nil, err
		}
		steps, err := own.Steps(i)
		if err != nil {
			return nil, err
		}
		dir, err := folder(i, in)
		if err != nil {
			return nil, err
		}
		return func() (drivers.Chip, drivers.Converter, error) {
			f, err := host.File(bus.FileOptions{Path: filepath.Join(dir, fileName), Bus: "1-Wire", For: in.Channel})
			if err != nil {
				return nil, drivers.Converter{}, err
			}
			return &chip{host: host, channel: in.Channel, file: f, steps: steps}, converter(), nil
		}, nil
	})
}

// folder finds the sensor's folder from its port.
func folder(i int, in drivers.Input) (string, error) {
	refuse := func(key, format string, args ...any) (string, error) {
		return "", &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
	}
	switch {
	case in.Couple != "":
		return refuse("couple", "the part measures its own temperature; take the couple off the channel")
	case in.Kind != 0 && in.Kind != drivers.Temperature:
		return refuse("channel", "the part measures temperature; give the channel that kind or none")
	case filepath.IsAbs(in.Port):
		return strings.TrimSuffix(filepath.Clean(in.Port), "/"+fileName), nil
	case strings.HasPrefix(in.Port, "28-") && !strings.Contains(in.Port, "/"):
		return filepath.Join(devices, in.Port), nil
	}
	return refuse("port", "%q: give the sensor's name as it stands below %s, for instance 28-0000051e2f3a", in.Port, devices)
}

func converter() drivers.Converter {
	return drivers.Converter{
		Model: "DS18B20", Law: drivers.LawLinear, Kind: drivers.Temperature, Unit: "degC", PerCode: codeC, Conversion: conversion,
		Lines: []drivers.Line{
			{Name: "sensor, -10 to 85 degC", Half: 0.5, In: drivers.OnValue, SharedBy: "converter", Source: sheet + ", p1"},
			{Name: "step of the code at 12 bit", Half: codeC / 2, In: drivers.OnValue, Source: sheet + ", p4"},
		},
	}
}

// chip is one sensor. Its fields belong to the goroutine that reads.
type chip struct {
	host    *bus.Host
	channel string
	file    bus.File
	steps   drivers.Steps
	buf     [256]byte
}

// memory is the sensor's scratchpad.
type memory [size]byte

// parse takes the memory out of the two lines of w1_slave:
//
//	ed fe 4b 46 7f ff 03 10 e4 : crc=e4 YES
//	ed fe 4b 46 7f ff 03 10 e4 t=-17187
//
// The second line repeats what the kernel keeps, which after a wrong checksum is
// the reading before; only the first one is fresh.
func parse(text []byte) (m memory, kernelOK bool, err error) {
	line, _, _ := bytes.Cut(text, []byte("\n"))
	line = bytes.TrimSpace(line)
	if len(line) == 0 {
		return m, false, errors.New("the file is empty: the kernel's driver has read nothing")
	}
	left, right, ok := bytes.Cut(line, []byte(" : crc="))
	raw := bytes.ReplaceAll(left, []byte(" "), nil)
	if !ok || len(raw) != 2*size {
		return m, false, fmt.Errorf("want nine bytes and a checksum, got %q", line)
	}
	if _, err := hex.Decode(m[:], raw); err != nil {
		return m, false, fmt.Errorf("%q: %w", line, err)
	}
	return m, bytes.HasSuffix(right, []byte(" YES")), nil
}

// crc is the 1-Wire checksum: polynomial x^8+x^5+x^4+1, lowest bit first.
func crc(b []byte) (c byte) {
	for _, v := range b {
		c ^= v
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0x8C
			} else {
				c >>= 1
			}
		}
	}
	return c
}

// code is the temperature; bits below the resolution in byte 4 mean nothing.
func (m memory) code() int64 {
	v := int16(uint16(m[1])<<8 | uint16(m[0]))
	unused := 3 - m[4]>>5&3
	return int64(v >> unused << unused)
}

// judge looks at the memory as it came.
func (m memory) judge() (drivers.Faults, error) {
	switch {
	case m == memory{}:
		return drivers.NoChip, errors.New("nine zero bytes (whose checksum is right): no sensor, or the line is held low")
	case m == memory{255, 255, 255, 255, 255, 255, 255, 255, 255}:
		return drivers.NoChip, errors.New("nine bytes of ones: no sensor")
	case crc(m[:size-1]) != m[size-1]:
		return drivers.Corrupt, fmt.Errorf("checksum %02X, computed %02X", m[size-1], crc(m[:size-1]))
	case m[0] == 0x50 && m[1] == 0x05 && m[6] == 0x0C:
		return drivers.Stale, errors.New("85.00 degC with the memory of a power-up: the supply was away and no conversion was made since")
	}
	if v := float64(m.code()) * codeC; v < minC || v > maxC {
		return drivers.OutOfRange, fmt.Errorf("%.4f degC: outside the part's %g to %g degC", v, minC, maxC)
	}
	return 0, nil
}

// Read takes one conversion and judges it.
func (c *chip) Read(ctx context.Context, r *drivers.Reading) error {
	*r = drivers.Reading{}
	n, err := c.file.Read(ctx, c.buf[:])
	if err != nil {
		err = fmt.Errorf("channel %s: %w", c.channel, err)
		f := drivers.TransferFaults(err)
		if errors.Is(err, fs.ErrNotExist) {
			f = drivers.NoChip
		}
		r.Fail(f, err)
		return err
	}
	m, kernelOK, err := parse(c.buf[:n])
	if err != nil {
		r.Fail(drivers.Corrupt, fmt.Errorf("channel %s: %s: %w", c.channel, c.file, err))
		return nil
	}
	f, cause := m.judge()
	if f == 0 && !kernelOK {
		f, cause = drivers.Corrupt, errors.New("the kernel says that the checksum was wrong")
	}
	if f&(drivers.NoChip|drivers.Corrupt) == 0 {
		r.Set(m.code(), conversion/2)
	}
	if f != 0 {
		r.Fail(f, fmt.Errorf("channel %s: % X: %w", c.channel, m[:], cause))
		return nil
	}
	if cause := c.steps.Check(float64(r.Code)*codeC, c.host.Now()); cause != nil {
		r.Fail(drivers.Implausible, cause)
	}
	return nil
}

// Probe shows the first line of the file.
func (c *chip) Probe(ctx context.Context) (string, error) {
	n, err := c.file.Read(ctx, c.buf[:])
	if err != nil {
		return "", fmt.Errorf("channel %s: %w", c.channel, err)
	}
	line, _, _ := bytes.Cut(c.buf[:n], []byte("\n"))
	bits := ""
	if m, _, err := parse(c.buf[:n]); err == nil {
		bits = fmt.Sprintf(", set to %d bit", 9+m[4]>>5&3)
	}
	return fmt.Sprintf("%s at %s: %s%s", c.channel, c.file, bytes.TrimSpace(line), bits), nil
}

// ReadyAt is zero: reading starts a conversion.
func (c *chip) ReadyAt() time.Time { return time.Time{} }

// Close implements drivers.Chip.
func (c *chip) Close() error { return c.file.Close() }
