// Package config reads rig.yaml: strictly, with every problem at once, each with
// file, line, column, key and what would be right. It opens nothing and keeps a
// driver's own options opaque for the driver to decode.
package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
	"time"

	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
)

// Problems is everything wrong with a file, in order of position.
type Problems = strictyaml.Problems

// Config is a valid rig.yaml. Nothing changes it after Load. The comment of each key
// here is its entry in the manual page rig.yaml(5).
type Config struct {
	File string `yaml:"-"`
	doc  *strictyaml.Doc
	// Name of the rig: 1 to 63 of a-z, 0-9, _ and -. Required.
	Rig string `yaml:"rig"`
	// Where soakd is reached.
	Listen Listen `yaml:"listen"`
	// Where samples are kept, and for how long.
	Journal Journal `yaml:"journal"`
	// 50Hz or 60Hz: sets the notch of converters that have one. Left out: as the chip
	// comes.
	Mains Hertz `yaml:"mains"`
	// Drivers on buses. At least one.
	Sources []Source `yaml:"sources"`
	// What the channels are, by name. A channel without an entry has the defaults.
	Channels map[string]*Channel `yaml:"channels"`
	// What runs are judged by unless they bring limits of their own.
	Limits Limits `yaml:"limits"`
	// Changes to the default plan of a run.
	Plan Plan `yaml:"plan"`
	// An output that drops when a run asks to stop. A convenience that fails towards
	// off, not a safety device. Left out: none.
	Interlock *Interlock `yaml:"interlock"`
	// Receivers of every sample, by the Prometheus remote-write protocol.
	Remote []RemoteWrite `yaml:"remote_write"`
	// Puts a simulated rig in the place of the hardware. Left out: hardware.
	Simulated *Simulated `yaml:"simulated"`
	// What the rig adds to every probe's budget: limits of rectangular distributions
	// in K. The defaults are common practice.
	Uncertainty Uncertainty `yaml:"uncertainty"`
}

// Listen says where the services are reached.
type Listen struct {
	// host:port or unix:/path of gRPC. Any address that is neither loopback nor a unix
	// socket wants tls_cert, tls_key and tokens. Default 127.0.0.1:7640.
	GRPC string `yaml:"grpc"`
	// host:port of /metrics, /healthz and the status page; off for none.
	// Default 127.0.0.1:7641.
	HTTP string `yaml:"http"`
	// File of the server's certificate (PEM).
	TLSCert string `yaml:"tls_cert"`
	// File of its key (PEM), readable for the group soakd-keys.
	TLSKey string `yaml:"tls_key"`
	// File of the authority that signs clients' certificates (PEM). Left out: clients
	// need none.
	ClientCA string `yaml:"client_ca"`
	// File of access tokens with their roles: see soakd-token(1).
	Tokens string `yaml:"tokens"`
	// File in the web configuration format of Prometheus exporters: TLS and passwords
	// of the HTTP side.
	WebConfig string `yaml:"web_config"`
	// Whether gRPC answers questions about its own services. Default true.
	Reflection *bool `yaml:"reflection"`
}

// Journal says where samples are kept and for how long.
type Journal struct {
	// Folder of the journal. Default /var/lib/soakd.
	Dir string `yaml:"dir"`
	// How long samples are kept; samples of pinned and open runs longer. At least 1h.
	// Default 60d.
	Keep time.Duration `yaml:"keep"`
	// How large the journal may grow before the oldest samples go. At least 64MiB.
	// Default 8GiB.
	MaxSize Size `yaml:"max_size"`
	// Time between commits: at most this much is lost to a power cut. 10ms to 1m.
	// Default 1s.
	Sync time.Duration `yaml:"sync"`
}

// Source is one configured driver instance.
type Source struct {
	// Name of the source in messages and metrics. Required.
	Name string `yaml:"name"`
	// A driver: soakd drivers lists them. Required.
	Driver string `yaml:"driver"`
	// Time between readings, 10ms to 1h, not below one conversion. Default 1s.
	Every time.Duration `yaml:"every"`
	// Bus of every input that names none: SPI0.0, I2C1, GPIO4, /dev/serial/by-id/...,
	// tcp://host:port, as the driver wants it.
	Port string `yaml:"port"`
	// What is read: at least one input. The driver's own keys stand beside these, at
	// the source or the input.
	Inputs []Input `yaml:"inputs"`
	Rest   strictyaml.Rest
}

// Input is one input of a source.
type Input struct {
	// The channel that the input feeds: each channel has one input. Required.
	Channel string `yaml:"channel"`
	// Bus of this input. Default: the source's port.
	Port string `yaml:"port"`
	// What selects the chip in place of the port's own select: a GPIO pin, for instance
	// GPIO22, or an output of a decoder such as the 74HC138.
	SelectBy SelectBy `yaml:"select"`
	Rest     strictyaml.Rest

	// Select is SelectBy as the bus takes it: a pin, a decoder's output, or empty.
	Select string `yaml:"-"`
}

// SelectBy is what selects an SPI chip: a GPIO pin (written alone), or an output of a
// decoder.
type SelectBy struct {
	Pin string `yaml:"-"`
	// GPIO pins of the decoder's address, lowest bit first, one to four of them.
	Decoder []string `yaml:"decoder"`
	// GPIO pin of the decoder's enable, active low. Default: the port's own chip select
	// enables it.
	Enable string `yaml:"enable"`
	// The decoder's output that selects this chip, from 0. Required with a decoder.
	Output *int `yaml:"output"`
}

// FromScalar implements strictyaml.Shorthand: a bare word is the pin.
func (s *SelectBy) FromScalar(text string) error {
	s.Pin = text
	return nil
}

// Channel is what rig.yaml says of one channel.
type Channel struct {
	// probe (counts for the peak), ambient, intake, exhaust, supply (wall power and
	// its energy), reference or info. Default: probe for a thermocouple, supply for
	// power and energy, info for all else.
	Role string `yaml:"role"`
	// temperature, power, energy, voltage, current, frequency or other. Left out: what
	// the driver says.
	Kind string `yaml:"kind"`
	// Unit, where the kind leaves a choice.
	Unit string `yaml:"unit"`
	// Where the probe sits, in words.
	Place string `yaml:"place"`
	// Thermocouple type, one letter. Default K, where a converter of thermocouples
	// leaves the choice.
	Couple string `yaml:"couple"`
	// Tolerance class of the wire: iec-1, iec-2, iec-3, astm-standard or astm-special.
	// Default iec-1, the best class that the couple comes in, or iec-2 without one.
	Class string `yaml:"class"`
	// Spool of the wire: probes of one spool share its error.
	Spool string `yaml:"spool"`
	// K to add to every reading.
	Offset float64 `yaml:"offset"`
	// Factor of every reading, at most 2. Default 1.
	Gain float64 `yaml:"gain"`
	// Corrections at reference points, ascending; in between they are interpolated.
	Table []TablePoint `yaml:"table"`
	// Date of the calibration, for instance 2026-05-02.
	Checked string `yaml:"checked"`
	// Date until which the calibration holds.
	ValidUntil string `yaml:"valid_until"`
	// Who calibrated.
	By string `yaml:"by"`
	// Accuracy by the data sheet, for instance "1% of reading + 0.5 W". Left out: the
	// driver's own figure, or none.
	Accuracy *Accuracy `yaml:"accuracy"`
	// Another cold junction than the converter's own sensor.
	Cold *ColdJunction `yaml:"cold"`
}

// TablePoint is one point of a calibration table.
type TablePoint struct {
	// degC of the reference.
	Reference float64 `yaml:"reference"`
	// K to add there.
	Correction float64 `yaml:"correction"`
}

// ColdJunction names another source of the cold junction: either key, not both.
type ColdJunction struct {
	// A channel that measures the terminals.
	Channel string `yaml:"channel"`
	// Their temperature in degC, for a bath or an oven.
	Fixed *float64 `yaml:"fixed"`
}

// Limits are what runs are judged by unless they bring their own.
type Limits struct {
	// degC, for the highest held temperature of any probe.
	Probe *float64 `yaml:"probe"`
	// K above ambient, for the same.
	Rise *float64 `yaml:"rise"`
	// [low, high] in degC: a run counts only inside.
	Ambient *[2]float64 `yaml:"ambient"`
	// Further limits.
	List []Limit `yaml:"list"`
}

// Limit is one further limit.
type Limit struct {
	// Name in results. Default: from channel or role, and quantity.
	Name string `yaml:"name"`
	// The channel it watches; or role.
	Channel string `yaml:"channel"`
	// All channels of a role; or channel.
	Role string `yaml:"role"`
	// value, rise (above ambient), slope (in K/h) or difference (to the median of its
	// role). Default value.
	Quantity string `yaml:"quantity"`
	// The bound, in the quantity's unit. Required.
	Bound *float64 `yaml:"bound"`
	// true: the quantity must not fall below the bound. Default false.
	Below bool `yaml:"below"`
	// How long the bound must be passed. Default: as long as the peak must be held, 10s.
	Dwell time.Duration `yaml:"dwell"`
	// note, fail or stop (the run asks for a stop). Default fail.
	Severity string `yaml:"severity"`
	// Phases in which it counts: baseline, load, cooldown. Default load.
	Phases []string `yaml:"phases"`
}

// Plan changes the default plan.
type Plan struct {
	// Length of the baseline before the load. Default 5m.
	Baseline *time.Duration `yaml:"baseline"`
	// Length of the load. Default 1h.
	Load *time.Duration `yaml:"load"`
	// Length of the cooldown after it. Default 10m.
	Cooldown *time.Duration `yaml:"cooldown"`
	// Constants of the computation by name; each is recorded with the result.
	Constants map[string]float64 `yaml:"constants"`
	// The program run at a stop request: an argument list, no shell.
	Stop []string `yaml:"stop"`
}

// Interlock is the output that drops when a run asks to stop.
type Interlock struct {
	// The GPIO pin, for instance GPIO17. Required.
	Pin string `yaml:"pin"`
	// degC: any probe above it, twice in a row, drops the output. Left out: never.
	DropAbove *float64 `yaml:"drop_above"`
	// A probe without a value for this long drops the output. Left out: never.
	LostProbe time.Duration `yaml:"lost_probe"`
	// Period of a toggling output. Left out: a steady level.
	Heartbeat time.Duration `yaml:"heartbeat"`
}

// RemoteWrite is a receiver of the Prometheus remote-write protocol.
type RemoteWrite struct {
	// Name of the receiver; its place in the journal is kept under it. Required.
	Name string `yaml:"name"`
	// http:// or https:// address, without a password. Required.
	URL string `yaml:"url"`
	// 1, or 2 with fallback to 1. Default 1.
	Protocol int `yaml:"protocol"`
	// How old a sample the receiver takes. Left out: in order only.
	Window time.Duration `yaml:"window"`
	// Labels added to every series.
	Labels map[string]string `yaml:"labels"`
	// File that holds the value of the Authorization header.
	Authorization string `yaml:"authorization_file"`
}

// Simulated puts a simulated rig in the place of the hardware.
type Simulated struct {
	// Rig seconds for each second, 0.1 to 1000. Default 1.
	Speed float64 `yaml:"speed"`
	Rest  strictyaml.Rest
}

// Uncertainty are the rig's own budget lines, limits of rectangular distributions
// in K. Defaults are common practice.
type Uncertainty struct {
	// Contact of a probe. Default 1.0.
	Mounting *float64 `yaml:"mounting"`
	// Pickup from switching stages while loaded. Default 0.5.
	Pickup *float64 `yaml:"pickup"`
	// Gradient between terminals and cold-junction sensor. Default 0.3.
	Terminal *float64 `yaml:"terminal"`
}

// Judge says what else is wrong with a file: in what config keeps opaque. It gets
// whatever could be decoded, also where config itself found problems: sources that
// name no driver, inputs without a channel. It opens nothing.
type Judge func(*Config) Problems

// Load reads and checks the file, and has the judges check it, so that all that is
// wrong comes at once. The error is Problems, or the reason why the file can't be read.
func Load(path string, known []*drivers.Driver, judges ...Judge) (*Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		var cause *fs.PathError
		if errors.As(err, &cause) {
			err = cause.Err // without the path, which is named here
		}
		return nil, fmt.Errorf("read the configuration %s: %w%s", path, err, unreadable(err))
	}
	return Parse(path, text, known, judges...)
}

// unreadable says what to do about a file that can't be read.
func unreadable(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "; name the file with -config, or begin with an example (the package keeps some in /usr/share/doc/soakrig/examples/rigs)"
	case errors.Is(err, syscall.EISDIR):
		return "; name the file in it, for instance with -config FOLDER/rig.yaml"
	case errors.Is(err, fs.ErrPermission):
		return "; let the service read it: chmod 644, or chgrp soakd-keys and chmod 640"
	}
	return ""
}

// Parse is Load for text that has been read; path is for messages.
func Parse(path string, text []byte, known []*drivers.Driver, judges ...Judge) (*Config, error) {
	doc, err := strictyaml.Parse(path, text)
	if err != nil {
		return nil, err
	}
	c := &Config{File: path, doc: doc}
	doc.Decode(c)
	c.fill(doc)
	chk := &checker{doc: doc, decoded: doc.Problems(), c: c, known: known}
	chk.check()
	for _, judge := range judges {
		doc.Add(judge(c))
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// Problem is a problem at a key path of the file, such as sources[0].inputs[2].port.
// A key that the file does not have is placed at the nearest key above it.
func (c *Config) Problem(key, text string) strictyaml.Problem { return c.doc.Problem(key, text) }

// fill sets the defaults of what the file does not give. A zero that was written is no
// default.
func (c *Config) fill(doc *strictyaml.Doc) {
	set := func(p *string, v string) {
		if *p == "" {
			*p = v
		}
	}
	set(&c.Listen.GRPC, "127.0.0.1:7640")
	set(&c.Listen.HTTP, "127.0.0.1:7641")
	set(&c.Journal.Dir, "/var/lib/soakd")
	if !doc.Has("journal.keep") {
		c.Journal.Keep = 60 * 24 * time.Hour
	}
	if !doc.Has("journal.sync") {
		c.Journal.Sync = time.Second
	}
	if !doc.Has("journal.max_size") {
		c.Journal.MaxSize = 8 << 30
	}
	if c.Simulated != nil && !doc.Has("simulated.speed") {
		c.Simulated.Speed = 1
	}
	if c.Channels == nil {
		c.Channels = map[string]*Channel{}
	}
}
