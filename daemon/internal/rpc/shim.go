package rpc

import (
	"errors"
	"fmt"

	"soakrig/daemon/record"
)

type JournalState struct {
	ID                           string
	Oldest, Head, DurableThrough uint64
	Durable                      bool
	Text                         string
	Bytes, FreeBytes             int64
}

type GapError struct{ Gap record.Gap }

func (e *GapError) Error() string { return fmt.Sprintf("gap %d..%d", e.Gap.From, e.Gap.To) }

var errClosed = errors.New("closed")

type RunRow struct {
	Start              record.RunStart
	State              string
	StartedAt, EndedAt record.Stamp
	FirstSeq, LastSeq  uint64
	Result             *record.Result
}
