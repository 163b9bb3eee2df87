package journal

import (
	"context"
	"errors"

	"soakrig/daemon/record"
)

// Head gives the last number given and the newest that is durable, zero for none:
// what a stream says with every batch, without the rest of State.
func (j *Journal) Head() (head, durableThrough uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.head, j.durable.Load()
}

// Newest is the stamp of the newest entry that can be read; zero: there is none.
func (j *Journal) Newest(ctx context.Context) (record.Stamp, error) {
	head, _ := j.Head()
	if head == 0 {
		return record.Stamp{}, nil
	}
	r := j.NewReader(head)
	defer r.Close()
	e, err := r.Next(ctx)
	if gap := (*GapError)(nil); errors.As(err, &gap) {
		return record.Stamp{}, nil
	}
	return e.At, err
}
