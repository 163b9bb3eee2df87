// Package config reads rig.yaml: strictly, with every problem at once, each with
// file, line, column, key and what would be right. It opens nothing and keeps a
// driver's own options opaque for the driver to decode.
package config

import (
	"fmt"
	"os"
	"time"

	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
)

// Problems is everything wrong with a file, in order of position.
type Problems = strictyaml.Problems

// Config is a valid rig.yaml. Nothing changes it after Load.
type Config struct {
	File      string              `yaml:"-"`
	Rig       string              `yaml:"rig"`
	Listen    Listen              `yaml:"listen"`
	Journal   Journal             `yaml:"journal"`
	Mains     Hertz               `yaml:"mains"` // 0: not said
	Sources   []Source            `yaml:"sources"`
	Channels  map[string]*Channel `yaml:"channels"`
	Limits    Limits              `yaml:"limits"`
	Plan      Plan                `yaml:"plan"`
	Interlock *Interlock          `yaml:"interlock"`
	Remote    []RemoteWrite       `yaml:"remote_write"`
	Simulated *Simulated          `yaml:"simulated"` // nil: real hardware
	// Uncertainty is what the rig adds to every probe's budget, limits in K.
	Uncertainty Uncertainty `yaml:"uncertainty"`
}

// Listen says where the services are reached.
type Listen struct {
	GRPC string `yaml:"grpc"` // host:port or unix:/path; default 127.0.0.1:7640
	HTTP string `yaml:"http"` // host:port; default 127.0.0.1:7641; "off": none
	// For any gRPC address that is not loopback or a unix socket.
	TLSCert  string `yaml:"tls_cert"`
	TLSKey   string `yaml:"tls_key"`
	ClientCA string `yaml:"client_ca"`
	Tokens   string `yaml:"tokens"`
	// WebConfig is a web configuration file for TLS and passwords of the HTTP side.
	WebConfig  string `yaml:"web_config"`
	Reflection *bool  `yaml:"reflection"` // default true
}

// Journal says where samples are kept and for how long.
type Journal struct {
	Dir     string        `yaml:"dir"`      // default /var/lib/soakd
	Keep    time.Duration `yaml:"keep"`     // default 60d
	MaxSize Size          `yaml:"max_size"` // default 8GiB
	Sync    time.Duration `yaml:"sync"`     // at most this much is lost to a power cut; default 1s
}

// Source is one configured driver instance.
type Source struct {
	Name   string        `yaml:"name"`
	Driver string        `yaml:"driver"`
	Every  time.Duration `yaml:"every"`
	Port   string        `yaml:"port"`
	Inputs []Input       `yaml:"inputs"`
	Rest   strictyaml.Rest
}

// Input is one input of a source.
type Input struct {
	Channel string `yaml:"channel"`
	Port    string `yaml:"port"`
	Select  string `yaml:"select"`
	Rest    strictyaml.Rest
}

// Channel is what rig.yaml says of one channel.
type Channel struct {
	Role       string        `yaml:"role"`
	Kind       string        `yaml:"kind"`
	Unit       string        `yaml:"unit"`
	Place      string        `yaml:"place"`
	Couple     string        `yaml:"couple"`
	Class      string        `yaml:"class"`
	Spool      string        `yaml:"spool"`  // which spool of wire: probes of one spool share its error
	Offset     float64       `yaml:"offset"` // K to add to every reading
	Gain       float64       `yaml:"gain"`   // 0 or 1: none
	Table      []TablePoint  `yaml:"table"`
	Checked    string        `yaml:"checked"`     // date of the calibration
	ValidUntil string        `yaml:"valid_until"` // date
	By         string        `yaml:"by"`
	Accuracy   *Accuracy     `yaml:"accuracy"`
	Cold       *ColdJunction `yaml:"cold"`
}

// TablePoint is one point of a calibration table.
type TablePoint struct {
	Reference  float64 `yaml:"reference"`  // degC
	Correction float64 `yaml:"correction"` // K to add
}

// ColdJunction names another source of the cold junction.
type ColdJunction struct {
	Channel string   `yaml:"channel"`
	Fixed   *float64 `yaml:"fixed"` // degC
}

// Limits are what runs are judged by unless they bring their own.
type Limits struct {
	Probe   *float64    `yaml:"probe"`   // degC, highest held temperature of any probe
	Rise    *float64    `yaml:"rise"`    // K above ambient
	Ambient *[2]float64 `yaml:"ambient"` // degC, band in which a run counts
	List    []Limit     `yaml:"list"`
}

// Limit is one further limit.
type Limit struct {
	Name     string        `yaml:"name"`
	Channel  string        `yaml:"channel"`
	Role     string        `yaml:"role"`
	Quantity string        `yaml:"quantity"`
	Bound    *float64      `yaml:"bound"`
	Below    bool          `yaml:"below"`
	Dwell    time.Duration `yaml:"dwell"`
	Severity string        `yaml:"severity"`
	Phases   []string      `yaml:"phases"`
}

// Plan changes the default plan.
type Plan struct {
	Baseline  *time.Duration     `yaml:"baseline"` // default 5m
	Load      *time.Duration     `yaml:"load"`     // default 1h
	Cooldown  *time.Duration     `yaml:"cooldown"` // default 10m
	Constants map[string]float64 `yaml:"constants"`
	// Stop is the program run at a stop request: an argument list, no shell.
	Stop []string `yaml:"stop"`
}

// Interlock is the output that drops when a run asks to stop.
type Interlock struct {
	Pin       string        `yaml:"pin"`
	DropAbove *float64      `yaml:"drop_above"` // degC
	LostProbe time.Duration `yaml:"lost_probe"`
	Heartbeat time.Duration `yaml:"heartbeat"` // 0: a steady level
}

// RemoteWrite is a receiver of the Prometheus remote-write protocol.
type RemoteWrite struct {
	Name     string            `yaml:"name"`
	URL      string            `yaml:"url"`
	Protocol int               `yaml:"protocol"` // 1 (default), or 2 with fallback to 1
	Window   time.Duration     `yaml:"window"`   // how old a sample the receiver takes; 0: in order only
	Labels   map[string]string `yaml:"labels"`
	// Authorization is the file that holds the Authorization header's value.
	Authorization string `yaml:"authorization_file"`
}

// Simulated puts a simulated rig in the place of the hardware.
type Simulated struct {
	Speed float64 `yaml:"speed"` // rig seconds per second; default 1
	Rest  strictyaml.Rest
}

// Uncertainty are the rig's own budget lines, limits of rectangular distributions
// in K. Defaults are common practice.
type Uncertainty struct {
	Mounting *float64 `yaml:"mounting"` // contact of a probe; default 1.0
	Pickup   *float64 `yaml:"pickup"`   // from switching stages while loaded; default 0.5
	Terminal *float64 `yaml:"terminal"` // gradient between terminal and cold-junction sensor; default 0.3
}

// Load reads and checks the file. The error is Problems, or the reason why the file
// can't be read.
func Load(path string, known []*drivers.Driver) (*Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(path, text, known)
}

// Parse is Load for text that has been read; path is for messages.
func Parse(path string, text []byte, known []*drivers.Driver) (*Config, error) {
	doc, err := strictyaml.Parse(path, text)
	if err != nil {
		return nil, err
	}
	c := &Config{File: path}
	doc.Decode(c)
	c.fill()
	chk := &checker{doc: doc, c: c, known: known}
	chk.check()
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// fill sets the defaults.
func (c *Config) fill() {
	set := func(p *string, v string) {
		if *p == "" {
			*p = v
		}
	}
	dur := func(p *time.Duration, v time.Duration) {
		if *p == 0 {
			*p = v
		}
	}
	set(&c.Listen.GRPC, "127.0.0.1:7640")
	set(&c.Listen.HTTP, "127.0.0.1:7641")
	set(&c.Journal.Dir, "/var/lib/soakd")
	dur(&c.Journal.Keep, 60*24*time.Hour)
	dur(&c.Journal.Sync, time.Second)
	if c.Journal.MaxSize == 0 {
		c.Journal.MaxSize = 8 << 30
	}
	if c.Simulated != nil && c.Simulated.Speed == 0 {
		c.Simulated.Speed = 1
	}
	if c.Channels == nil {
		c.Channels = map[string]*Channel{}
	}
}
