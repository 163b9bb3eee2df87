package plugin

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"time"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// Driver runs a driver that is a process of its own.
var Driver = drivers.Driver{
	Name: "plugin",
	Info: drivers.Info{
		Summary: "driver in a process of its own, in any language",
		Bus:     "whatever the process uses",
		Options: []drivers.Option{
			{Key: "command", Scope: "source", Unit: "[program, argument, ...]", Help: "what to start; an absolute path, or a name in PATH"},
			{Key: "options", Scope: "source", Unit: "any keys", Default: "none", Help: "handed to the process"},
			{Key: "options", Scope: "input", Unit: "any keys", Default: "none", Help: "handed to the process"},
			{Key: "start", Scope: "source", Unit: "duration", Default: "10s", Help: "how long the process may take until it serves"},
		},
		Detects:  []string{"a process that died, hangs, or breaks the contract: faults on all of its channels"},
		Misses:   []string{"what the process itself does not see"},
		Accuracy: []string{"as the process states it"},
		Caution:  "The process runs with soakd's rights and inside its sandbox: start only what you trust.",
	},
	Open: func(ctx context.Context, host *bus.Host, src drivers.Source) (drivers.Device, error) {
		return New(ctx, host, src)
	},
}

// Opts are the driver's options on a source.
type Opts struct {
	Command []string       `yaml:"command"`
	Options map[string]any `yaml:"options"`
	Start   time.Duration  `yaml:"start"`
}

// InputOpts are the driver's options on an input.
type InputOpts struct {
	Options map[string]any `yaml:"options"`
}

type logKey struct{}

// WithLog returns a context that carries to Driver.Open where the lines go that
// processes write to standard error. log may be called from several goroutines.
func WithLog(ctx context.Context, log func(source, line string)) context.Context {
	return context.WithValue(ctx, logKey{}, log)
}

func refuse(i int, key, format string, args ...any) error {
	return &drivers.OptionError{Input: i, Key: key, Text: fmt.Sprintf(format, args...)}
}

// New starts the process and opens its source.
func New(ctx context.Context, host *bus.Host, src drivers.Source) (*Dev, error) {
	o := Opts{Start: 10 * time.Second}
	if err := src.Options.Decode(&o); err != nil {
		return nil, err
	}
	if len(o.Command) == 0 || o.Command[0] == "" {
		return nil, refuse(-1, "command", "required: [program, argument, ...]")
	}
	path, err := exec.LookPath(o.Command[0])
	if err != nil {
		return nil, refuse(-1, "command", "%s: %v; give the absolute path of an executable file", o.Command[0], reason(err))
	}
	if o.Start <= 0 || o.Start > time.Minute {
		return nil, refuse(-1, "start", "%v: above 0 and at most 1m", o.Start)
	}
	req, err := request(src, o)
	if err != nil {
		return nil, err
	}
	log, _ := ctx.Value(logKey{}).(func(string, string))
	if log == nil {
		log = func(string, string) {}
	}
	d := &Dev{
		source: src.Name, req: req, start: o.Start, now: host.Now,
		command: append([]string{path}, o.Command[1:]...),
		log:     func(line string) { log(src.Name, line) },
	}
	if err := d.launch(ctx); err != nil {
		return nil, err
	}
	return d, nil
}

// reason is why a program can't be started, without what led there.
func reason(err error) error {
	for inner := errors.Unwrap(err); inner != nil; inner = errors.Unwrap(err) {
		err = inner
	}
	return err
}

// request is what the process is told about its source.
func request(src drivers.Source, o Opts) (*driverv1.OpenRequest, error) {
	text, err := json.Marshal(nonNil(o.Options))
	if err != nil {
		return nil, refuse(-1, "options", "%v: only plain values, lists and keys that are words", err)
	}
	req := &driverv1.OpenRequest{
		Source: src.Name, EveryS: src.Every.Seconds(), MainsHz: uint32(max(src.MainsHz, 0)), Port: src.Port, OptionsJson: string(text),
	}
	for i, in := range src.Inputs {
		var own InputOpts
		if err := in.Options.Decode(&own); err != nil {
			return nil, err
		}
		text, err := json.Marshal(nonNil(own.Options))
		if err != nil {
			return nil, refuse(i, "options", "%v: only plain values, lists and keys that are words", err)
		}
		req.Inputs = append(req.Inputs, &driverv1.Input{
			Channel: in.Channel, Port: in.Port, Select: in.Select, Couple: in.Couple,
			Kind: driverv1.Kind(in.Kind), OptionsJson: string(text),
		})
	}
	return req, nil
}

func nonNil(m map[string]any) map[string]any {
	if m == nil {
		return map[string]any{}
	}
	return m
}
