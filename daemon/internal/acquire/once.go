package acquire

import (
	"context"
	"fmt"
	"time"

	"soakrig/daemon/record"
	"soakrig/drivers"
)

// Taken is one source read once, for a check.
type Taken struct {
	Source   string
	Driver   *drivers.Driver
	OpenErr  error // why the source does not open; nil: it is open
	Sample   record.Sample
	Causes   []error  // of each channel; nil where there is none
	Identity []string // what the device says it is, where it can say
}

// Once reads every source until no reading is stale for want of a conversion, but
// at most for patience of rig time. It stores nothing.
func (a *Acquirer) Once(ctx context.Context, patience time.Duration) ([]Taken, error) {
	defer a.close()
	all := make([]Taken, 0, len(a.sources))
	for i, s := range a.sources {
		t, err := s.once(ctx, patience)
		if err != nil {
			return nil, err
		}
		t.Sample.Layout, t.Sample.Source = a.layout.ID, uint16(i)
		all = append(all, t)
	}
	return all, nil
}

func (s *source) once(ctx context.Context, patience time.Duration) (Taken, error) {
	t := Taken{Source: s.cfg.Name, Driver: s.driver}
	begin := s.clock.Now().BootNS
	done, err := s.clock.Tick(ctx, begin)
	for err == nil {
		s.read(ctx)
		now := s.clock.Now().BootNS
		if !s.waits() || now-begin >= int64(patience) {
			done()
			break
		}
		err = s.clock.Retick(ctx, now+min(s.every, int64(patience)/4))
	}
	if err != nil {
		return t, fmt.Errorf("check of source %s was stopped: %w", s.cfg.Name, err)
	}
	t.OpenErr = s.openErr
	t.Sample.Raw = append(t.Sample.Raw, s.sample.Raw...)
	for i := range s.readings {
		t.Causes = append(t.Causes, s.readings[i].Cause)
	}
	if p, ok := s.device().(drivers.Prober); ok {
		identity, err := p.Probe(ctx)
		if err != nil {
			identity = append(identity, "identity can't be read: "+err.Error())
		}
		t.Identity = identity
	}
	return t, nil
}

// waits says whether a reading of the newest sample only waits for a conversion.
func (s *source) waits() bool {
	for _, r := range s.readings {
		if r.Faults == drivers.Stale || r.Faults == drivers.ConfigLost {
			return true
		}
	}
	return false
}
