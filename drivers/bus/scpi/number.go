package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"soakrig/drivers/bus"
)

// ErrSyntax says that an answer has another form than it should.
var ErrSyntax error = &bus.AnswerError{Text: "answer has an unexpected form", Kind: bus.ErrCorrupt}

// NotANumberError is an answer that stands for no number.
type NotANumberError struct {
	Text string // the answer
	Sign int    // 1 over range, -1 under range or over on the negative side, 0 not a number
}

func (e *NotANumberError) Error() string {
	switch e.Sign {
	case 1:
		return e.Text + ": over range"
	case -1:
		return e.Text + ": over range on the negative side"
	}
	return e.Text + ": not a number"
}

// Values from here on stand for infinity (9.9E37) or not a number (9.91E37), on
// either side (SCPI-99, 7.2.1.4).
const (
	sentinel    = 9.89e37
	sentinelNaN = 9.91e37
)

// Fields splits an answer at its commas and removes a header before the first value,
// which some instruments send unless they are told not to.
func Fields(answer string) []string {
	fields := strings.Split(answer, ",")
	for i := range fields {
		fields[i] = strings.TrimSpace(fields[i])
	}
	header, value, ok := strings.Cut(fields[0], " ")
	if ok && header != "" && strings.ContainsRune(":*ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", rune(header[0])) {
		fields[0] = strings.TrimSpace(value)
	}
	return fields
}

// Number parses a decimal number (NR1, NR2, NR3). A value that stands for none is a
// *NotANumberError, anything else ErrSyntax.
func Number(text string) (float64, error) {
	switch strings.ToUpper(strings.TrimPrefix(text, "+")) {
	case "NAN":
		return 0, &NotANumberError{Text: text}
	case "INF", "INFINITY":
		return 0, &NotANumberError{Text: text, Sign: 1}
	case "-INF", "NINF", "-INFINITY":
		return 0, &NotANumberError{Text: text, Sign: -1}
	}
	if strings.Trim(text, "0123456789+-.eE") != "" {
		return 0, fmt.Errorf("%w: %q is not a number", ErrSyntax, text)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil && !math.IsInf(v, 0) {
		return 0, fmt.Errorf("%w: %q is not a number", ErrSyntax, text)
	}
	switch size := math.Abs(v); {
	case size < sentinel:
		return v, nil
	case math.Abs(size-sentinelNaN) < 0.005e37:
		return 0, &NotANumberError{Text: text}
	case v < 0:
		return 0, &NotANumberError{Text: text, Sign: -1}
	}
	return 0, &NotANumberError{Text: text, Sign: 1}
}

// ParseError splits an answer to SYST:ERR?: the code, 0 for none, and its text.
func ParseError(answer string) (code int, text string, err error) {
	number, rest, ok := strings.Cut(answer, ",")
	code, bad := strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(number), "+"))
	rest = strings.TrimSpace(rest)
	if !ok || bad != nil || len(rest) < 2 || rest[0] != '"' || rest[len(rest)-1] != '"' {
		return 0, "", fmt.Errorf("%w: %q is not a code and a text in quotes", ErrSyntax, answer)
	}
	return code, rest[1 : len(rest)-1], nil
}

// OutOfStep says that an error code means that queries and answers do not belong
// together any more: interrupted, unterminated, deadlocked.
func OutOfStep(code int) bool { return code <= -400 && code >= -499 }
