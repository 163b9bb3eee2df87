package bus

import "errors"

// What can be wrong with the answer of a device. The errors of protocol packages wrap
// one of them, so that a driver tells faults apart without knowing the protocol.
var (
	ErrNoAnswer = errors.New("no complete answer in time")
	ErrCorrupt  = errors.New("corrupt answer")       // checksum, framing, somebody else's answer
	ErrRefused  = errors.New("device says it can't") // a well-formed refusal
)

// AnswerError is one reason why an answer is of no use. Protocol packages keep theirs
// as variables, which callers compare with errors.Is.
type AnswerError struct {
	Text string
	Kind error // ErrNoAnswer, ErrCorrupt or ErrRefused
}

func (e *AnswerError) Error() string { return e.Text }

// Unwrap returns the kind.
func (e *AnswerError) Unwrap() error { return e.Kind }
