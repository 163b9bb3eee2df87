package runs

import (
	"math"

	"soakrig/daemon/record"
)

// latest keeps the newest value of every channel, for what happens between runs.
type latest struct {
	tables map[uint32]*table
	values map[string]newest
}

type newest struct {
	value  float64
	faults record.Faults
	role   record.Role
	kind   record.Kind
}

func newLatest() *latest {
	return &latest{tables: map[uint32]*table{}, values: map[string]newest{}}
}

// entry takes a sample in; other entries change nothing. current gives the layout in
// force, for samples whose layout was stored before the reader began.
func (l *latest) entry(e record.Entry, current func() *record.Layout) error {
	if lay, ok := e.Body.(*record.Layout); ok && l.tables[lay.ID] == nil {
		return l.compile(cloneLayout(lay))
	}
	s, ok := e.Body.(*record.Sample)
	if !ok {
		return nil
	}
	t := l.tables[s.Layout]
	if t == nil {
		if lay := current(); lay.ID != s.Layout {
			return nil
		} else if err := l.compile(lay); err != nil {
			return err
		}
		t = l.tables[s.Layout]
	}
	if int(s.Source) >= len(t.layout.Sources) {
		return nil
	}
	values := t.values[:len(s.Raw)]
	if err := t.conv.Convert(s, values); err != nil {
		return err
	}
	for i, v := range values {
		ch := t.layout.Channels[t.layout.Sources[s.Source].Channels[i]]
		l.values[ch.Name] = newest{value: v.Value, faults: v.Faults, role: ch.Role, kind: ch.Kind}
	}
	return nil
}

func (l *latest) compile(lay *record.Layout) error {
	t, err := compile(lay, nil)
	if err != nil {
		return err
	}
	l.tables[lay.ID] = t
	return nil
}

// cooled says whether every probe that has a value is within k of the room. Without
// a room sensor or a probe it is never true.
func (l *latest) cooled(k float64) bool {
	room, hottest := math.NaN(), math.NaN()
	for _, v := range l.values {
		if v.faults != 0 || v.kind != record.Temperature {
			continue
		}
		switch v.role {
		case record.RoleAmbient:
			room = v.value
		case record.RoleProbe:
			if !(hottest >= v.value) {
				hottest = v.value
			}
		}
	}
	return hottest-room <= k // false where either is NaN
}
