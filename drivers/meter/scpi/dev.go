package scpi

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus/scpi"
)

// Dev is one instrument.
type Dev struct {
	port     string
	identity string
	now      func() time.Time // of the rig
	client   *scpi.Client
	queries  []question
	convs    []drivers.Converter
}

var (
	_ drivers.Device = (*Dev)(nil)
	_ drivers.Prober = (*Dev)(nil)
)

// question is one query with the values that are wanted from its answer.
type question struct {
	text   string
	values []value
}

// value is one input's place in an answer.
type value struct {
	input   int
	item    int     // from 1
	items   int     // how many the answer must have; 0: any number
	said    string  // the unit in the words of rig.yaml
	perCode float64 // what one of the instrument's unit is worth
	lo, hi  float64 // in the converter's unit
	unit    string  // the converter's
}

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// Close ends a running Read at once.
func (d *Dev) Close() error { return d.client.Close() }

// Read asks each query once. After a failure the rest is not asked.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	var lost error
	good := 0
	for _, q := range d.queries {
		start := d.now()
		answer, err := "", lost
		if err == nil {
			answer, err = d.client.Query(ctx, q.text)
			lost = err
		}
		age := max(d.now().Sub(start)/2, 0)
		for _, v := range q.values {
			r := &out[v.input]
			*r = drivers.Reading{Age: age}
			if err != nil {
				r.Fail(drivers.AnswerFaults(err), err)
				continue
			}
			good++
			if err := v.take(scpi.Fields(answer), r); err != nil {
				r.Cause = fmt.Errorf("%s: %s: %w", d.port, q.text, err)
			}
		}
	}
	if good > 0 {
		return nil
	}
	return lost
}

// take turns one field into a reading; the error is the cause of a fault it has set.
func (v value) take(fields []string, r *drivers.Reading) error {
	if err := v.count(fields); err != nil {
		r.Fail(drivers.Corrupt, err)
		return err
	}
	if v.item > len(fields) {
		err := fmt.Errorf("%w: the answer has %d values, item %d is wanted", scpi.ErrSyntax, len(fields), v.item)
		r.Fail(drivers.Corrupt, err)
		return err
	}
	number, err := v.number(fields[v.item-1])
	if err != nil {
		fault := drivers.AnswerFaults(err)
		var none *scpi.NotANumberError
		if errors.As(err, &none) {
			fault = drivers.OutOfRange
		}
		r.Fail(fault, err)
		return err
	}
	r.Set(int64(math.Float64bits(number)), r.Age)
	if x := number * v.perCode; x < v.lo || x > v.hi {
		err := fmt.Errorf("item %d: %g %s is outside %g..%g", v.item, x, v.unit, v.lo, v.hi)
		r.Fail(drivers.OutOfRange, err)
		return err
	}
	return nil
}

// count refuses an answer of another length than was said, and, if nothing was said, two
// whole numbers that may be one with a decimal comma.
func (v value) count(fields []string) error {
	switch {
	case v.items > 0 && len(fields) != v.items:
		return fmt.Errorf("%w: %d values, %d are wanted: has the instrument's list changed?", scpi.ErrSyntax, len(fields), v.items)
	case v.items == 0 && len(fields) == 2 && decimalComma.MatchString(strings.Join(fields, ",")):
		return fmt.Errorf("%w: %q is two values or one with a decimal comma: set items: 2, or the instrument to decimal points",
			scpi.ErrSyntax, strings.Join(fields, ","))
	}
	return nil
}

var decimalComma = regexp.MustCompile(`^[+-]?[0-9]+,[0-9]+([eE][+-]?[0-9]+)?$`)

// number reads a field, which may end in the unit that is expected.
func (v value) number(field string) (float64, error) {
	n, err := scpi.Number(field)
	if err == nil || !errors.Is(err, scpi.ErrSyntax) {
		return n, err
	}
	text := strings.TrimRight(field, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ%")
	if text == field || text == "" {
		return 0, err
	}
	if unit := field[len(text):]; unit != v.said {
		return 0, fmt.Errorf("%w: %q is in %s, the source says %q", scpi.ErrSyntax, field, unit, v.said)
	}
	return scpi.Number(strings.TrimSpace(text))
}

// Probe asks for the identity and for the errors that the instrument keeps.
func (d *Dev) Probe(ctx context.Context) ([]string, error) {
	id, err := d.client.Query(ctx, "*IDN?")
	if err != nil {
		return nil, err
	}
	lines := []string{d.port + ": " + id}
	if !strings.Contains(id, d.identity) {
		lines = append(lines, fmt.Sprintf("this is not %q, which identity names", d.identity))
	}
	for range 32 { // the queue of a broken instrument may never empty
		answer, err := d.client.Query(ctx, "SYST:ERR?")
		if err != nil {
			return lines, err
		}
		code, text, err := scpi.ParseError(answer)
		if err != nil {
			return lines, err
		}
		if code == 0 {
			break
		}
		line := fmt.Sprintf("error %d: %s", code, text)
		if scpi.OutOfStep(code) {
			line += " (somebody else talks to it too, or a query was not finished)"
		}
		lines = append(lines, line)
	}
	return lines, nil
}
