package iec62056

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"

	"soakrig/drivers"
)

// Control characters of the protocol.
const (
	stx = 0x02
	etx = 0x03
	ack = 0x06
)

// What can be wrong with a readout. They are wrapped with the port and details.
var (
	errTimeout = errors.New("no complete readout in time")
	errBCC     = errors.New("wrong block check character")
	errCRC     = errors.New("wrong CRC of the telegram")
	errParity  = errors.New("wrong parity")
	errIdent   = errors.New("not an identification")
	errForm    = errors.New("unexpected form")
)

// ident is the line that a meter introduces itself with: /XXXZ text.
type ident struct {
	maker string // three letters; a small third one: the meter reacts within 20 ms
	speed byte   // the character that stands for its highest speed
	text  string
}

// parseIdent reads an identification without its line end. Any speed character is
// taken: meters know more than the standard lists.
func parseIdent(line string) (ident, error) {
	if len(line) < 5 || line[0] != '/' {
		return ident{}, fmt.Errorf("%w: %q", errIdent, line)
	}
	return ident{maker: line[1:4], speed: line[4], text: line[5:]}, nil
}

// reactionMS is how long the meter at least waits before it answers.
func (i ident) reactionMS() int {
	if c := i.maker[2]; c >= 'a' && c <= 'z' {
		return 20
	}
	return 200
}

// baud is the speed that a character of mode C stands for; false for others.
func baud(c byte) (int, bool) {
	if c < '0' || c > '6' {
		return 0, false
	}
	return 300 << (c - '0'), true // 300, 600, 1200, 2400, 4800, 9600, 19200
}

// stripParity removes the parity bit that an 8-bit transport hands up in bit 7. If no
// byte has it, there is nothing to remove; else every byte must have even parity.
func stripParity(p []byte) error {
	any := byte(0)
	for _, b := range p {
		any |= b
	}
	if any&0x80 == 0 {
		return nil
	}
	for i, b := range p {
		if bits.OnesCount8(b)%2 != 0 {
			return fmt.Errorf("%w: byte %d is %#02x", errParity, i, b)
		}
		p[i] = b & 0x7F
	}
	return nil
}

// bcc is the exclusive or of 7-bit characters.
func bcc(p []byte) byte {
	var x byte
	for _, b := range p {
		x ^= b & 0x7F
	}
	return x
}

// checkBlock returns the text of a block STX ... ETX BCC after checking it.
func checkBlock(p []byte) ([]byte, error) {
	if err := stripParity(p); err != nil {
		return nil, err
	}
	n := len(p)
	if n < 4 || p[0] != stx || p[n-2] != etx {
		return nil, fmt.Errorf("%w: a block of %d bytes without its frame", errForm, n)
	}
	if want := bcc(p[1 : n-1]); want != p[n-1] {
		return nil, fmt.Errorf("%w: %#02x received, %#02x computed over %d bytes", errBCC, p[n-1], want, n-2)
	}
	body := p[1 : n-2]
	if i := bytes.IndexByte(body, 0); i >= 0 {
		return nil, fmt.Errorf("%w: byte %d is 00, which is how the kernel hands a character with wrong parity up", errParity, i)
	}
	return body, nil
}

// checkTelegram returns the text of a telegram /...! of mode D. What follows the ! is
// nothing, or a CRC-16 in hex (polynomial 0xA001 reflected, start 0, from the / to the
// !; from memory).
func checkTelegram(p []byte) ([]byte, error) {
	if err := stripParity(p); err != nil {
		return nil, err
	}
	end := bytes.LastIndexByte(p, '!')
	if end < 0 || p[0] != '/' {
		return nil, fmt.Errorf("%w: a telegram of %d bytes without its / or ! somewhere", errForm, len(p))
	}
	if i := bytes.IndexByte(p, 0); i >= 0 {
		return nil, fmt.Errorf("%w: byte %d is 00", errParity, i)
	}
	text := strings.TrimSpace(string(p[end+1:]))
	if text == "" {
		return p[:end], nil
	}
	sum, err := strconv.ParseUint(text, 16, 16)
	if err != nil {
		return nil, fmt.Errorf("%w: %q after the telegram", errForm, text)
	}
	var c uint16
	for _, b := range p[:end+1] {
		c ^= uint16(b)
		for range 8 {
			c = c>>1 ^ 0xA001*(c&1)
		}
	}
	if c != uint16(sum) {
		return nil, fmt.Errorf("%w: %04X received, %04X computed", errCRC, sum, c)
	}
	return p[:end], nil
}

// value is what a data line says.
type value struct {
	number float64
	digits int64 // the number's digits without the decimal point
	unit   string
	torn   bool // the readout has the address twice, with different values
}

// parseLines reads the data lines "address(value*unit)" of a readout. Lines of other
// forms (an identification, dates, faults) are left out.
func parseLines(text []byte) map[string]value {
	out := map[string]value{}
	for line := range strings.Lines(string(text)) {
		address, rest, ok := strings.Cut(strings.TrimSpace(line), "(")
		if !ok || address == "" {
			continue
		}
		v, ok := parseGroups(rest)
		if !ok {
			continue
		}
		if old, twice := out[address]; twice && (old.number != v.number || old.unit != v.unit || old.torn) {
			v.torn = true
		}
		out[address] = v
	}
	return out
}

// parseGroups reads the value of "value*unit)" or, where a line has several groups,
// "time)(value*unit)": the one group with a unit, or the only group.
func parseGroups(rest string) (value, bool) {
	var found value
	groups, with, without := 0, 0, 0
	for {
		group, more, closed := strings.Cut(rest, ")")
		if !closed {
			break
		}
		groups++
		if v, ok := parseValue(group); ok && v.unit != "" {
			if with++; with == 1 {
				found = v
			}
		} else if ok {
			if without++; with == 0 {
				found = v
			}
		}
		if _, rest, closed = strings.Cut(more, "("); !closed {
			break
		}
	}
	// The highest demand comes with its time in a group behind it, and some meters
	// repeat a value in another unit: the first one with a unit is meant.
	return found, with > 0 || without == 1 && groups == 1
}

// parseValue reads "000581.161*kWh" with the forms that meters have: decimal comma,
// unit after a blank, no unit, a sign.
func parseValue(group string) (value, bool) {
	number, unit, ok := strings.Cut(group, "*")
	if !ok {
		number, unit, _ = strings.Cut(group, " ")
	}
	number = strings.Replace(strings.TrimSpace(number), ",", ".", 1)
	if number == "" || strings.Trim(number, "+-.0123456789") != "" {
		return value{}, false
	}
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(n, 0) {
		return value{}, false
	}
	digits, err := strconv.ParseInt(strings.Replace(number, ".", "", 1), 10, 64)
	if err != nil {
		return value{}, false
	}
	return value{number: n, digits: digits, unit: strings.TrimSpace(unit)}, true
}

// short is an address without its medium and channel, and without *255:
// "1-0:1.8.0*255" is "1.8.0".
func short(address string) string {
	if _, rest, ok := strings.Cut(address, ":"); ok {
		address = rest
	}
	return strings.TrimSuffix(address, "*255")
}

// whole refuses a value that the readout has twice and not alike.
func (v value) whole(address string) error {
	if v.torn {
		return fmt.Errorf("%s is there twice with different values: which one is meant?", address)
	}
	return nil
}

// quantity is what a unit of a readout stands for. Meters write units in small and
// capital letters; those whose first letter may be milli or mega are taken as they are.
func quantity(unit string) drivers.Quantity {
	q := drivers.QuantityOf(unit)
	if q.Kind != drivers.Other {
		return q
	}
	for _, known := range []string{"kWh", "Wh", "kW", "W", "V", "A", "Hz"} {
		if strings.EqualFold(unit, known) {
			return drivers.QuantityOf(known)
		}
	}
	return q
}

// find looks an address up: exactly as it is, else by its short form, which must then
// be on one line only.
func find(lines map[string]value, address string) (value, error) {
	if v, ok := lines[address]; ok {
		return v, v.whole(address)
	}
	var found []string
	for a := range lines {
		if short(a) == short(address) && (short(a) == a || short(address) == address) {
			found = append(found, a)
		}
	}
	switch len(found) {
	case 1:
		return lines[found[0]], lines[found[0]].whole(found[0])
	case 0:
		return value{}, fmt.Errorf("the readout has no line %s", address)
	}
	return value{}, fmt.Errorf("%s is on %d lines; name one with its medium and channel", address, len(found))
}
