package config

import (
	"fmt"
	"maps"
	"net"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
	"soakrig/drivers"
)

// checker finds what is wrong between the lines of a file that decoded.
type checker struct {
	doc     *strictyaml.Doc
	decoded strictyaml.Problems // what did not decode: no more is said of those keys
	c       *Config
	known   []*drivers.Driver
}

var namePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,62}$`)

const nameRule = "want 1 to 63 of a-z, 0-9, _ and -, beginning with a letter or digit"

// bad adds a problem of a key, unless its value did not even decode.
func (k *checker) bad(path, format string, args ...any) {
	if !k.decoded.At(path) && !k.decoded.At("") {
		k.doc.Addf(path, format, args...)
	}
}

// badBlock is bad for what is missing in a block of keys, which may stand there under a
// wrong name.
func (k *checker) badBlock(path, format string, args ...any) {
	if !k.decoded.Below(path) && !k.decoded.At("") {
		k.doc.Addf(path, format, args...)
	}
}

// name checks what its writer calls a thing.
func (k *checker) name(path, what, text string) (ok bool) {
	switch better := strings.NewReplacer(" ", "-", ".", "-").Replace(strings.ToLower(text)); {
	case namePattern.MatchString(text):
		return true
	case text == "":
		k.bad(path, "is missing: give %s a name, for instance %q", what, map[string]string{"the rig": "bench-1", "the source": "back", "the channel": "vr1", "the receiver": "lab"}[what])
	case namePattern.MatchString(better):
		k.bad(path, "%q: %s; write %q", text, nameRule, better)
	default:
		k.bad(path, "%q: %s", text, nameRule)
	}
	return false
}

func (k *checker) check() {
	c := k.c
	k.name("rig", "the rig", c.Rig)
	k.listen()
	switch dir := c.Journal.Dir; {
	case strings.HasPrefix(dir, "~"):
		k.bad("journal.dir", "%q: ~ stands for nothing here; write the whole path, for instance /var/lib/soakd", dir)
	case !filepath.IsAbs(dir) && c.Simulated == nil:
		k.bad("journal.dir", "%q depends on the folder that soakd is started in, and another one would begin a new journal: want a path that begins with /, for instance /var/lib/soakd", dir)
	}
	if c.Journal.Sync < 10*time.Millisecond || c.Journal.Sync > time.Minute {
		k.bad("journal.sync", "want 10ms to 1m, got %v", c.Journal.Sync)
	}
	if c.Journal.Keep < time.Hour {
		k.bad("journal.keep", "want at least 1h, got %v", c.Journal.Keep)
	}
	if c.Journal.MaxSize < 64<<20 {
		k.bad("journal.max_size", "want at least 64MiB, got %d bytes", c.Journal.MaxSize)
	}
	if c.Simulated != nil && (c.Simulated.Speed < 0.1 || c.Simulated.Speed > 1000) {
		k.bad("simulated.speed", "want 0.1 to 1000 rig seconds per second, got %g", c.Simulated.Speed)
	}
	owner := k.sources()
	k.channels(owner)
	k.limits(owner)
	k.plan()
	k.remotes()
	k.pins()
	if c.Interlock != nil && c.Interlock.Pin == "" {
		k.bad("interlock.pin", "is missing: name the GPIO pin, for instance GPIO17")
	}
	for key, u := range map[string]*float64{"mounting": c.Uncertainty.Mounting, "pickup": c.Uncertainty.Pickup, "terminal": c.Uncertainty.Terminal} {
		if u != nil && (*u < 0 || *u > 100) {
			k.bad("uncertainty."+key, "want 0 to 100 K, got %g", *u)
		}
	}
}

func (k *checker) remotes() {
	names := map[string]bool{}
	for i, r := range k.c.Remote {
		path := fmt.Sprintf("remote_write[%d]", i)
		if k.name(path+".name", "the receiver", r.Name) && names[r.Name] {
			k.bad(path+".name", "%q is the name of another receiver too: rename one", r.Name)
		}
		names[r.Name] = true
		u, err := url.Parse(r.URL)
		switch {
		case r.URL == "":
			k.bad(path+".url", "is missing: want http://host/path or https://host/path")
		case err != nil: // what the error quotes may hold a password
			k.bad(path+".url", "can't be read: want http://host/path or https://host/path")
		case u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil:
			k.bad(path+".url", "want http://host/path or https://host/path without a password (use authorization_file), got scheme %q and host %q", u.Scheme, u.Host)
		}
		if r.Protocol < 0 || r.Protocol > 2 {
			k.bad(path+".protocol", "want 1 or 2, got %d", r.Protocol)
		}
	}
}

func (k *checker) listen() {
	l := k.c.Listen
	if path, ok := strings.CutPrefix(l.GRPC, "unix:"); ok {
		if !strings.HasPrefix(path, "/") {
			k.bad("listen.grpc", "want unix: and a path that begins with /, for instance unix:/run/soakd/soakd.sock, got %q", l.GRPC)
		}
	} else {
		k.address("listen.grpc", l.GRPC, "unix:/path")
	}
	if l.HTTP != "off" {
		k.address("listen.http", l.HTTP, "off")
		if _, port, err := net.SplitHostPort(l.HTTP); err == nil && l.HTTP == l.GRPC && port != "0" {
			k.bad("listen.http", "%s is gRPC's address already: want another port, or off", l.HTTP)
		}
	}
	switch {
	case l.TLSCert != "" && l.TLSKey == "":
		k.bad("listen.tls_cert", "goes together with tls_key: give both or neither")
	case l.TLSCert == "" && l.TLSKey != "":
		k.bad("listen.tls_key", "goes together with tls_cert: give both or neither")
	case l.TLSCert == "" && l.ClientCA != "":
		k.bad("listen.client_ca", "needs TLS: give tls_cert and tls_key too")
	}
}

// address checks host:port; or is what else the key may be.
func (k *checker) address(path, text, or string) {
	_, port, err := net.SplitHostPort(text)
	if err != nil {
		k.bad(path, "want host:port or %s, got %q", or, text)
		return
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		k.bad(path, "want a port from 1 to 65535 after the last colon, got %q", text)
	}
}

// sources checks them and returns which input feeds each channel.
func (k *checker) sources() map[string]string {
	c := k.c
	if len(c.Sources) == 0 {
		k.bad("sources", "is missing: name at least one source; soakd drivers lists what there is")
	}
	owner := map[string]string{}
	seat := map[string]string{}
	names := map[string]int{}
	for i := range c.Sources {
		s := &c.Sources[i]
		path := fmt.Sprintf("sources[%d]", i)
		if j, ok := names[s.Name]; ok {
			k.bad(path+".name", "%q is the name of sources[%d] too: rename one", s.Name, j)
		} else if k.name(path+".name", "the source", s.Name) {
			names[s.Name] = i
		}
		if s.Every == 0 && !k.doc.Has(path+".every") {
			s.Every = time.Second
		}
		if tooFast := k.driver(path, s); tooFast {
			s.Every = time.Hour // for who judges the file after this
		} else if s.Every < 10*time.Millisecond || s.Every > time.Hour {
			k.bad(path+".every", "want 10ms to 1h, got %v", s.Every)
			s.Every = time.Hour // for who judges the file after this
		}
		if len(s.Inputs) == 0 {
			k.bad(path+".inputs", "is missing: name at least one input with its channel")
		}
		for j := range s.Inputs {
			k.input(fmt.Sprintf("%s.inputs[%d]", path, j), s, &s.Inputs[j], owner, seat)
		}
	}
	return owner
}

func (k *checker) driver(path string, s *Source) (tooFast bool) {
	var names []string
	for _, d := range k.known {
		if d.Name == s.Driver {
			if s.Every >= d.Info.Fastest {
				return false
			}
			k.bad(path+".every", "%v is shorter than one conversion of %s: want %v or more", s.Every, d.Name, d.Info.Fastest)
			return true
		}
		names = append(names, d.Name)
	}
	sort.Strings(names)
	if s.Driver == "" {
		k.bad(path+".driver", "is missing: name the driver that reads it%s", strictyaml.Suggest("", names))
		return false
	}
	k.bad(path+".driver", "unknown driver %q%s", s.Driver, strictyaml.Suggest(s.Driver, names))
	return false
}

// input checks one input. owner maps channels to the input that feeds them, seat a
// chip (port, select, options) to the channel that sits on it.
func (k *checker) input(path string, s *Source, in *Input, owner, seat map[string]string) {
	if in.Port == "" {
		in.Port = s.Port
	}
	if other, ok := owner[in.Channel]; ok {
		k.bad(path+".channel", "%q is fed by %s already: a channel has one input", in.Channel, other)
	} else if k.name(path+".channel", "the channel", in.Channel) {
		owner[in.Channel] = path
	}
	if !k.selects(path+".select", in) {
		return
	}
	if !strings.HasPrefix(strings.ToUpper(in.Port), "SPI") && !strings.HasPrefix(in.Port, "/dev/spidev") {
		return
	}
	// One chip select serves one chip. Inputs of one source may share it when options
	// of their own (a multiplexer's inputs) tell them apart.
	chip := normalPort(in.Port) + " " + in.Select
	if in.Select == "" {
		chip = normalPort(in.Port)
	}
	inside := s.Name + " " + chip + " " + fmt.Sprint(in.Rest.Texts())
	if other, ok := seat[inside]; ok {
		k.bad(path, "channels %q and %q sit on one chip select (%s): give each its own port or select pin", other, in.Channel, chip)
	} else if other, ok := seat[chip]; ok && !strings.HasPrefix(other, s.Name+"\x00") {
		_, name, _ := strings.Cut(other, "\x00")
		k.bad(path, "channels %q and %q of two sources sit on one chip select (%s): give each its own port or select pin", name, in.Channel, chip)
	}
	seat[inside] = in.Channel
	seat[chip] = s.Name + "\x00" + in.Channel
}

func normalPort(p string) string {
	if rest, ok := strings.CutPrefix(p, "/dev/spidev"); ok {
		return "SPI" + rest
	}
	return strings.ToUpper(p)
}

func (k *checker) channels(owner map[string]string) {
	known := make([]string, 0, len(owner))
	for name := range owner {
		known = append(known, name)
	}
	sort.Strings(known)
	for name, ch := range k.c.Channels {
		path := "channels." + name
		if owner[name] == "" {
			k.bad(path, "no input feeds it: name it at an input of a source, or remove it%s", strictyaml.Suggest(name, known))
		}
		k.channel(path, name, ch)
	}
	for name := range owner {
		if k.c.Channels[name] == nil {
			k.c.Channels[name] = &Channel{}
		}
	}
	for name, ch := range k.c.Channels {
		if ch.Cold != nil && ch.Cold.Channel != "" && owner[ch.Cold.Channel] == "" {
			k.bad("channels."+name+".cold.channel", "no channel %q%s", ch.Cold.Channel, strictyaml.Suggest(ch.Cold.Channel, known))
		}
	}
}

func (k *checker) channel(path, name string, ch *Channel) {
	word(k, path+".role", ch.Role, record.Roles())
	word(k, path+".kind", ch.Kind, record.Kinds())
	if unit := record.Kind(ch.Kind).Unit(); ch.Unit != "" && unit != "" && ch.Unit != unit {
		k.bad(path+".unit", "wrong unit %q: a channel of kind %s is in %s", ch.Unit, ch.Kind, unit)
	}
	k.couple(path, name, ch)
	if ch.Gain < 0 || ch.Gain > 2 {
		k.bad(path+".gain", "want a factor near 1, got %g", ch.Gain)
	}
	for _, date := range []struct{ key, text string }{{"checked", ch.Checked}, {"valid_until", ch.ValidUntil}} {
		if date.text == "" {
			continue
		}
		if _, err := time.Parse(time.DateOnly, date.text); err != nil {
			k.bad(path+"."+date.key, "want a date such as 2026-05-02, got %q", date.text)
		}
	}
	if !slices.IsSortedFunc(ch.Table, func(a, b TablePoint) int { return sign(a.Reference - b.Reference) }) {
		k.bad(path+".table", "the references must ascend: put the points in order, the lowest first")
	}
	if ch.Cold != nil && (ch.Cold.Channel == "") == (ch.Cold.Fixed == nil) {
		k.badBlock(path+".cold", "want either channel or fixed")
	}
	if a := ch.Accuracy; a != nil && a.Unit != "" && ch.Kind != "" {
		if want := record.Kind(ch.Kind).Unit(); want != "" && want != a.Unit && !(want == "degC" && a.Unit == "K") {
			k.bad(path+".accuracy", "wrong unit %q: a channel of kind %s is in %s", a.Unit, ch.Kind, want)
		}
	}
}

func sign(x float64) int {
	switch {
	case x < 0:
		return -1
	case x > 0:
		return 1
	}
	return 0
}

func word[W ~string](k *checker, path, text string, known []W) {
	if text == "" || slices.Contains(known, W(text)) {
		return
	}
	names := make([]string, len(known))
	for i, w := range known {
		names[i] = string(w)
	}
	k.bad(path, "unknown word %q%s", text, strictyaml.Suggest(text, names))
}

func (k *checker) limits(owner map[string]string) {
	l := k.c.Limits
	if b := l.Ambient; b != nil && !(b[0] < b[1] && b[0] > -100 && b[1] < 200) {
		k.bad("limits.ambient", "want [low, high] in degC, got [%g, %g]", b[0], b[1])
	} else if p := l.Probe; b != nil && p != nil && *p <= b[1] {
		k.bad("limits.probe", "%g degC is not above the room, which limits.ambient lets be up to %g degC: want what the hottest probe may reach, for instance 105", *p, b[1])
	}
	if l.Rise != nil && *l.Rise <= 0 {
		k.bad("limits.rise", "want K above ambient, more than 0, got %g", *l.Rise)
	}
	for i, lim := range l.List {
		path := fmt.Sprintf("limits.list[%d]", i)
		if lim.Bound == nil {
			k.bad(path+".bound", "is missing: the value that must not be passed, in the quantity's unit")
		}
		if (lim.Channel == "") == (lim.Role == "") {
			k.badBlock(path, "want either channel or role")
		}
		if lim.Channel != "" && owner[lim.Channel] == "" {
			k.bad(path+".channel", "no channel %q%s", lim.Channel, strictyaml.Suggest(lim.Channel, slices.Sorted(maps.Keys(owner))))
		}
		word(k, path+".role", lim.Role, record.Roles())
		word(k, path+".quantity", lim.Quantity, []string{"value", "rise", "slope", "difference"})
		word(k, path+".severity", lim.Severity, []string{"note", "fail", "stop"})
		for j, ph := range lim.Phases {
			word(k, fmt.Sprintf("%s.phases[%d]", path, j), ph, []string{"baseline", "load", "cooldown"})
		}
		if lim.Dwell > time.Hour {
			k.bad(path+".dwell", "want at most 1h, got %v", lim.Dwell)
		}
	}
}

// longestPhase is how long a phase of a run may be.
const longestPhase = 60 * 24 * time.Hour

func (k *checker) plan() {
	p := k.c.Plan
	for key, length := range map[string]*time.Duration{"baseline": p.Baseline, "load": p.Load, "cooldown": p.Cooldown} {
		if length != nil && *length > longestPhase {
			k.bad("plan."+key, "want at most 60d, got %v", *length)
		}
	}
}
