package iio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"strconv"
	"strings"

	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// scale is a file that holds what one code is worth in thousandths of a degC.
type scale struct {
	file   bus.File
	milliC float64
}

// identify compares what the kernel's driver says about its chip with what the
// configuration says. A file that is not there says nothing.
func (c *chip) identify(ctx context.Context) (drivers.Faults, error) {
	for _, s := range c.scales {
		text, err := c.text(ctx, s.file)
		if absent(err) {
			continue
		}
		if err != nil {
			return drivers.TransferFaults(err), err
		}
		got, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return drivers.Corrupt, fmt.Errorf("%s: %w", s.file, err)
		}
		if !(math.Abs(got-s.milliC) <= 1e-6*s.milliC) {
			return drivers.NoChip, fmt.Errorf("%s says %s, that of a %s is %g: another chip than chip: names", s.file, text, c.model.name, s.milliC)
		}
	}
	if c.typ == nil || c.couple == "" {
		return 0, nil
	}
	text, err := c.text(ctx, c.typ)
	switch {
	case absent(err), err == nil && (text == "" || text == "?"): // "?" is the kernel's word for a driver that does not know
		return 0, nil
	case err != nil:
		return drivers.TransferFaults(err), err
	case !strings.EqualFold(text, c.couple):
		return drivers.ConfigLost, fmt.Errorf("%s says %s, the channel's couple is %s: correct the device tree (or write the letter to that file, where it may be written), or the channel", c.typ, text, c.couple)
	}
	return 0, nil
}

// text reads a file of one word.
func (c *chip) text(ctx context.Context, f bus.File) (string, error) {
	n, err := f.Read(ctx, c.buf[:])
	return strings.TrimSpace(string(c.buf[:n])), err
}

// absent tells whether a file is not there: not every kernel has every file.
func absent(err error) bool { return errors.Is(err, fs.ErrNotExist) }
