package modbusmap

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"soakrig/drivers"
	"soakrig/drivers/bus/modbus"
)

// guess is one thing that may be wrong with a configuration: what it would be, and the
// fields as they would be read.
type guess struct {
	what   string // "wrong word order: ABCD"
	fields []field
	mains  bool
	level  int // how much is assumed: 0 one mistake, 1 two, 2 another map
}

// evidence is how a guess's fields read: how many make sense, how many do not, and what
// that weighs. Nearly any bits are some power; few are a voltage or a frequency of the
// mains, so those weigh twice. A zero speaks neither way, except where a mains meter
// shows no voltage or no frequency, and nor does a power below zero.
type evidence struct {
	good, bad, score int
	texts            []string
}

// inquiry asks a meter for registers, each place once.
type inquiry struct {
	d     *Dev
	ctx   context.Context
	unit  uint8
	known map[modbus.Request][]byte // nil: the meter refuses
	lost  error                     // the link failed: nothing more is asked
}

// diagnose says what would make sense of the numbers; nothing, if they make sense.
func (d *Dev) diagnose(ctx context.Context, u *meter) []string {
	q := &inquiry{d: d, ctx: ctx, unit: u.unit, known: map[modbus.Request][]byte{}}
	as := guess{fields: u.regs.witnesses(u.fields), mains: u.regs.Mains}
	base := q.weigh(as)
	if q.lost != nil || base.bad == 0 && base.good > 0 {
		return nil
	}
	var best []string
	top := base.score
	fits := 3 // the level of a guess that makes sense of every field: nothing beyond it is looked at
	for _, g := range u.regs.guesses(as) {
		if g.level > fits {
			break
		}
		e := q.weigh(g)
		if e.bad == 0 && e.good > 0 {
			fits = min(fits, g.level)
		}
		if q.lost != nil {
			return nil
		}
		if e.good == 0 || e.score < top || e.score == top && len(best) == 0 {
			continue
		}
		if e.score > top {
			best, top = nil, e.score
		}
		best = append(best, fmt.Sprintf("%s: %d of %d fields make sense then (%s)", g.what, e.good, len(g.fields), strings.Join(e.texts, ", ")))
	}
	switch {
	case len(best) > 3:
		best = append(best[:3], fmt.Sprintf("and %d more guesses make as much sense: add voltage and frequency to the map, and compare with the display", len(best)-3))
	case len(best) == 0 && base.bad == 0:
		best = []string{"only zeros come: is there a load, and is it the right map?"}
	case len(best) == 0:
		best = []string{"no order, no neighbouring address and no built-in map makes sense of this: wrong map, or a broken meter"}
	}
	return best
}

// weigh reads a guess's fields.
func (q *inquiry) weigh(g guess) evidence {
	var e evidence
	for _, f := range g.fields {
		weight := 2
		if f.conv.Kind != drivers.Voltage && f.conv.Kind != drivers.Frequency {
			weight = 1
		}
		raw, err := q.read(f)
		if err != nil {
			e.bad++
			e.score -= weight
			continue
		}
		code, fits := f.kind.code(f.order.bits(raw))
		v := f.kind.number(code)*f.conv.PerCode + f.conv.Offset
		switch {
		case f.judge(code, fits, raw) != nil || f.strange(v, g.mains):
			e.bad++
			e.score -= weight
		case v > 0:
			e.good++
			e.score += weight
			e.texts = append(e.texts, f.name+" "+f.text(raw))
		}
	}
	return e
}

// strange says that a value inside the map's range is none that a mains has.
func (f field) strange(v float64, mains bool) bool {
	switch f.conv.Kind {
	case drivers.Voltage:
		return mains && (v < 80 || v > 300) || v != 0 && (v < 0.01 || v > 1e5)
	case drivers.Frequency:
		return mains && v == 0 || v != 0 && (v < 45 || v > 65)
	}
	return false
}

// read gives a field's bytes; the error says that the meter refuses.
func (q *inquiry) read(f field) ([]byte, error) {
	if q.lost != nil || f.start < 0 || f.end() > 1<<16 {
		return nil, modbus.ErrRequest
	}
	key := modbus.Request{Unit: q.unit, Function: f.function, Address: uint16(f.start), Count: f.registers}
	raw, asked := q.known[key]
	if !asked {
		raw = make([]byte, 2*f.registers)
		err := q.d.ask(q.ctx, q.d.master, q.unit, f, raw)
		var e *modbus.Exception
		switch {
		case errors.As(err, &e):
			raw = nil
		case err != nil:
			q.lost = err
			return nil, err
		}
		q.known[key] = raw
	}
	if raw == nil {
		return nil, modbus.ErrRequest
	}
	return raw, nil
}

// witnesses are the fields that tell whether a map fits: those that are used, and the
// map's voltage, frequency and power.
func (m *Map) witnesses(used []field) []field {
	all := slices.Clone(used)
	for _, name := range []string{"voltage", "frequency", "active_power"} {
		if slices.ContainsFunc(all, func(f field) bool { return f.name == name }) {
			continue
		}
		if f, err := m.resolve(name); err == nil {
			all = append(all, f)
		}
	}
	// Energies, currents and factors may be anything: they tell nothing.
	return slices.DeleteFunc(all, func(f field) bool {
		switch f.conv.Kind {
		case drivers.Voltage, drivers.Frequency, drivers.Power:
			return false
		}
		return len(all) > 1 && !slices.ContainsFunc(used, func(u field) bool { return u.name == f.name })
	})
}

// guesses are what may be wrong, the simplest first.
func (m *Map) guesses(as guess) []guess {
	var all []guess
	level := 0
	add := func(what string, change func(*field)) {
		g := guess{what: what, fields: slices.Clone(as.fields), mains: as.mains, level: level}
		for i := range g.fields {
			change(&g.fields[i])
		}
		all = append(all, g)
	}
	orders := []order{{}, {lowFirst: true}, {swapped: true}, {lowFirst: true, swapped: true}}
	turn := func(o order) func(*field) {
		return func(f *field) {
			if f.registers > 1 {
				f.order = o
			}
		}
	}
	shift := func(by int) func(*field) { return func(f *field) { f.start += by } }
	long := slices.ContainsFunc(as.fields, func(f field) bool { return f.registers > 1 })
	if long {
		for _, o := range orders {
			add("wrong word order: it would be "+o.String(), turn(o))
		}
	}
	steps := []struct {
		by   int
		what string
	}{{-1, "wrong address: one register lower (the numbers count from 1: set base: 1)"}, {1, "wrong address: one register higher (the numbers count from 0: set base: 0)"},
		{-30001, "wrong address: 3xxxx numbers name input registers; the address is the number minus 30001, function 4"},
		{-40001, "wrong address: 4xxxx numbers name holding registers; the address is the number minus 40001, function 3"}}
	for _, s := range steps {
		add(s.what, shift(s.by))
	}
	add("wrong function: the other one of 3 and 4", func(f *field) { f.function = modbus.ReadHolding + modbus.ReadInput - f.function })
	if long {
		for _, k := range []rawType{f32, u32, i32} {
			add("wrong type: whole numbers and floats are mixed up", func(f *field) {
				if f.registers == 2 {
					f.kind = k
				}
			})
		}
	}
	if level = 1; long {
		for _, s := range steps[:2] {
			for _, o := range orders {
				add(s.what+", and word order "+o.String(), func(f *field) { shift(s.by)(f); turn(o)(f) })
			}
		}
	}
	for _, id := range Builtin() {
		other, err := LoadMap("builtin:" + id)
		if fields := other.witnesses(nil); err == nil && id != m.ID && len(fields) > 1 {
			all = append(all, guess{what: "wrong map: builtin:" + id + " fits", fields: fields, mains: other.Mains, level: 2})
		}
	}
	return all
}
