package acquire

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"soakrig/daemon/internal/config"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// Judge has every driver judge the options and inputs of its sources, for config.Load.
// Nothing is opened: the drivers open their sources on ports that exist in name only,
// in a context that has ended, so that no transfer and no process begins.
func Judge(known []*drivers.Driver) config.Judge {
	return func(c *config.Config) config.Problems {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		host := bus.NewHost(nowhere{})
		var all config.Problems
		var open []drivers.Device // to the end: what two sources can't share, the second is refused
		for i := range c.Sources {
			t := newTrial(i, Options{Config: c, Drivers: known, Host: host})
			if t.driver == nil {
				continue // config says so
			}
			if dev := t.run(ctx); dev != nil {
				open = append(open, dev)
			}
			all = append(all, t.found...)
		}
		for _, dev := range open {
			_ = dev.Close() // of ports that exist in name only
		}
		_ = host.Close()
		return all
	}
}

// trial opens a source again and again, each time without what was refused, until
// nothing is refused any more: so a driver that stops at the first fault tells all.
type trial struct {
	*source
	at    []int // which input of rig.yaml each input of source.in is
	found config.Problems
}

func newTrial(i int, opts Options) *trial {
	t := &trial{source: newSource(i, opts)}
	if len(t.in.Inputs) == 0 { // which config says; what stands at the source is judged all the same
		t.in.Inputs = []drivers.Input{{Port: t.in.Port, Options: strictyaml.Rest{}}}
	}
	t.in.Options = noting{t.cfg.Rest, t}
	for j := range t.in.Inputs {
		t.at = append(t.at, j)
		if j < len(t.cfg.Inputs) {
			t.in.Inputs[j].Options = noting{t.cfg.Inputs[j].Rest, t}
		}
	}
	return t
}

// noting are options whose wrong values are noted and otherwise left out, so that the
// driver goes on with its defaults.
type noting struct {
	strictyaml.Rest
	trial *trial
}

// Decode implements drivers.Params.
func (n noting) Decode(v any) error {
	var wrong config.Problems
	if errors.As(n.Rest.Decode(v), &wrong) {
		for _, p := range wrong {
			p.Text += n.trial.elsewhere(p)
			n.trial.note(p)
		}
	}
	return nil
}

func (t *trial) note(p strictyaml.Problem) {
	if !slices.Contains(t.found, p) {
		t.found = append(t.found, p)
	}
}

// run returns the device that is left when all that was refused is gone; nil: none is.
func (t *trial) run(ctx context.Context) drivers.Device {
	for len(t.in.Inputs) > 0 {
		dev, err := t.openDevice(ctx, t.named)
		var refused *drivers.OptionError
		switch {
		case err == nil:
			t.kinds(dev.Converters())
			return dev
		case errors.Is(err, context.Canceled): // a process would start now
			return nil
		case errors.As(err, &refused):
			t.refused(*refused)
			if !t.without(refused) {
				t.strangers()
				return nil
			}
		default:
			t.misplaced(ctx, err)
		}
	}
	return nil
}

// refused notes a refusal, unless something is said of its key already.
func (t *trial) refused(e drivers.OptionError) {
	if e.Input >= 0 && e.Input < len(t.at) {
		e.Input = t.at[e.Input]
		if e.Input >= len(t.cfg.Inputs) {
			return // it stands for inputs that are missing
		}
	}
	if p := t.refusal(&e); !t.found.Below(p.Key) {
		t.note(p)
	}
}

// without takes out what a driver refused: the option, or the whole input where the
// fault is not an option of its own. It says whether there is something left to try.
func (t *trial) without(refused *drivers.OptionError) bool {
	options := &t.in.Options
	j := refused.Input
	if j >= 0 && j < len(t.in.Inputs) {
		options = &t.in.Inputs[j].Options
	}
	n, ok := (*options).(noting)
	switch {
	case ok && n.Has(refused.Key):
		*options = noting{n.Rest.Without(refused.Key), t}
	case j >= 0 && j < len(t.in.Inputs) && refused.Key == "couple" && t.in.Inputs[j].Couple != "":
		t.in.Inputs[j].Couple = ""
	case j >= 0 && j < len(t.in.Inputs):
		t.drop(j)
	case refused.Key == "every" && t.in.Every < longestEvery:
		t.in.Every = longestEvery
	default:
		return false
	}
	return true
}

// strangers notes, where a driver goes no further without an option of the source, the
// keys of inputs that it does not have.
func (t *trial) strangers() {
	var known []string
	for _, o := range t.driver.Info.Options {
		if o.Scope == "input" {
			known = append(known, o.Key)
		}
	}
	for j := range t.cfg.Inputs {
		for _, name := range t.cfg.Inputs[j].Rest.Keys() {
			key := t.inputKey(j) + "." + name
			if !slices.Contains(known, name) && !t.found.Below(key) {
				t.note(t.config.Problem(key, "unknown key"+strictyaml.Suggest(name, known)))
			}
		}
	}
}

// kinds notes the channels whose kind or unit is not what their input measures.
func (t *trial) kinds(convs []drivers.Converter) {
	for i, conv := range convs {
		j := t.at[i]
		if j >= len(t.cfg.Inputs) {
			continue
		}
		name := t.cfg.Inputs[j].Channel
		ch, kind := t.named[name], kindOf(conv)
		if ch == nil || kind.Unit() == "" {
			continue
		}
		if ch.Kind != "" && driverKind(ch.Kind) != 0 && record.Kind(ch.Kind) != kind {
			t.note(t.config.Problem("channels."+name+".kind", fmt.Sprintf("wrong kind %q: the input measures %s", ch.Kind, kind)))
		}
		if ch.Unit != "" && ch.Unit != kind.Unit() {
			t.note(t.config.Problem("channels."+name+".unit", fmt.Sprintf("wrong unit %q: a channel of kind %s is in %s; leave the key out", ch.Unit, kind, kind.Unit())))
		}
	}
}

// longestEvery is a period that is too short for nobody.
const longestEvery = 24 * time.Hour

func (t *trial) drop(j int) {
	t.in.Inputs = slices.Delete(t.in.Inputs, j, j+1)
	t.at = slices.Delete(t.at, j, j+1)
}

// misplaced finds the input that can't be where it is, and notes why: the one with
// which opening fails while it succeeds with those before it. It goes on at a port of
// its own where only the port's name is wrong, else it is dropped.
func (t *trial) misplaced(ctx context.Context, err error) {
	whole := t.in.Inputs
	last := len(whole) - 1
	for j := range whole {
		t.in.Inputs = whole[: j+1 : j+1]
		dev, why := t.openDevice(ctx, t.named)
		if why == nil {
			_ = dev.Close() // of ports that exist in name only
			continue
		}
		last, err = j, why
		break
	}
	t.in.Inputs = whole
	j := t.at[last]
	if j >= len(t.cfg.Inputs) { // it stands for inputs that are missing
		t.drop(last)
		return
	}
	key, text, instead := t.inputKey(j), err.Error(), ""
	var port *portError
	switch {
	case errors.As(err, &port):
		key, text, instead = t.portKey(j), port.text, port.instead
	case whole[last].Port == "":
		key, instead = t.portKey(j), "SPI%d.0"
	}
	if !t.found.Below(key) {
		t.note(t.config.Problem(key, text))
	}
	if instead == "" {
		t.drop(last)
		return
	}
	whole[last].Port = fmt.Sprintf(instead, firstOwnBus+j)
}

// firstOwnBus begins the numbers of buses that no file names.
const firstOwnBus = 1000000

// refusal is what a driver refused, at its place in the file.
func (s *source) refusal(e *drivers.OptionError) strictyaml.Problem {
	key := fmt.Sprintf("sources[%d].%s", s.index, e.Key)
	if e.Key == "port" && e.Input < 0 {
		key = s.portKey(0)
	}
	if j := e.Input; j >= 0 && j < len(s.cfg.Inputs) {
		channel := s.cfg.Inputs[j].Channel
		switch ch := s.named[channel]; {
		case e.Key == "port":
			key = s.portKey(j)
		case e.Key == "couple" && ch != nil && ch.Couple != "":
			key = "channels." + channel + ".couple"
		case s.cfg.Rest.Has(e.Key) && !s.cfg.Inputs[j].Rest.Has(e.Key): // said for all inputs
		default:
			key = s.inputKey(j) + "." + e.Key
		}
	}
	return s.config.Problem(key, e.Text)
}

func (s *source) inputKey(j int) string { return fmt.Sprintf("sources[%d].inputs[%d]", s.index, j) }

// portKey is where the port of an input is named: at the input or at the source.
func (s *source) portKey(j int) string {
	if j >= len(s.cfg.Inputs) || s.cfg.Port != "" && s.cfg.Inputs[j].Port == s.cfg.Port {
		return fmt.Sprintf("sources[%d].port", s.index)
	}
	return s.inputKey(j) + ".port"
}
