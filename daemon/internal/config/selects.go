package config

import (
	"fmt"
	"strings"

	"soakrig/drivers/bus"
)

// selects checks what selects an input's chip and words it for the bus; ok is false
// when it can't be. Then Select is a word of its own: nobody else seems to sit there.
func (k *checker) selects(path string, in *Input) (ok bool) {
	defer func() {
		if !ok {
			in.Select = path
		}
	}()
	by := in.SelectBy
	if len(by.Decoder) == 0 && by.Enable == "" && by.Output == nil {
		in.Select = by.Pin
		d, err := bus.ParseSelect(by.Pin)
		if err == nil && d == nil && len(strings.Fields(by.Pin)) != 1 && by.Pin != "" {
			err = fmt.Errorf("%q is no name of a pin: write for instance GPIO22, or decoder, enable and output", by.Pin)
		}
		if err != nil {
			k.bad(path, "%v", err)
			return false
		}
		return true
	}
	if by.Output == nil {
		k.bad(path+".output", "is missing: which of the decoder's outputs selects this chip, from 0")
		return false
	}
	d := bus.Decoder{Lines: by.Decoder, Enable: by.Enable, Output: *by.Output}
	if err := d.Check(); err != nil {
		k.bad(path, "%v", err)
		return false
	}
	in.Select = d.Select()
	return true
}

// duties are what each GPIO pin does; a pin has one duty.
type duties struct {
	*checker
	of map[string]string // by pin in capitals
}

func (d duties) take(path, pin, what string) {
	pin = strings.ToUpper(pin)
	if other, taken := d.of[pin]; taken && other != what {
		d.bad(path, "pin %s is %s already and can't be %s too: give one of them another pin", pin, other, what)
		return
	}
	d.of[pin] = what
}

// pins refuses a GPIO pin with two duties.
func (k *checker) pins() {
	d := duties{checker: k, of: map[string]string{}}
	for i := range k.c.Sources {
		for j := range k.c.Sources[i].Inputs {
			in := &k.c.Sources[i].Inputs[j]
			path := fmt.Sprintf("sources[%d].inputs[%d]", i, j)
			if strings.HasPrefix(strings.ToUpper(in.Port), "GPIO") {
				d.take(path, in.Port, "an input of source "+k.c.Sources[i].Name)
			}
			d.selects(path+".select", in)
		}
	}
	if lock := k.c.Interlock; lock != nil && lock.Pin != "" {
		d.take("interlock.pin", lock.Pin, "the interlock's output")
	}
}

func (d duties) selects(path string, in *Input) {
	dec, err := bus.ParseSelect(in.Select)
	switch {
	case err != nil || in.Select == "":
	case dec == nil:
		d.take(path, in.Select, "a chip select on "+normalPort(in.Port))
	default:
		lines := strings.ToUpper(strings.Join(dec.Lines, " "))
		for n, pin := range dec.Lines {
			d.take(path, pin, fmt.Sprintf("address line %d of the decoder %s", n, lines))
		}
		if dec.Enable != "" {
			d.take(path, dec.Enable, "the enable of the decoder "+lines)
		}
	}
}
