package acquire

import (
	"context"

	"soakrig/daemon/record"
	"soakrig/drivers"
)

// Recaller is an Appender that remembers: the newest code that was stored for a channel
// and what it meant; false: none is in reach.
type Recaller interface {
	LastCode(ctx context.Context, channel string) (code int64, meant record.Converter, ok bool)
}

// resume lets a device that counts by itself go on from what was stored. A code that
// was worth something else then is another meter's, or another constant's.
func (s *source) resume(ctx context.Context, dev drivers.Device) {
	r, ok := dev.(drivers.Resumer)
	if !ok || s.recall == nil {
		return
	}
	for i, c := range dev.Converters() {
		if !c.CountedHere {
			continue
		}
		code, meant, ok := s.recall.LastCode(ctx, s.in.Inputs[i].Channel)
		if ok && meant.CountedHere && meant.Law == record.Law(c.Law) && meant.PerCode == c.PerCode && meant.Offset == c.Offset && meant.Model == c.Model {
			r.Resume(i, code)
		}
	}
}
