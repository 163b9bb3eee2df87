package cli

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

// Rig is what commands need of a rig.
type Rig interface {
	Describe(ctx context.Context) (*client.Description, error)
	Health(ctx context.Context) (*client.Health, error)
	Start(ctx context.Context, r client.StartRequest) (run string, seq uint64, err error)
	Stop(ctx context.Context, run, reason string) (string, error)
	Mark(ctx context.Context, text, author string) (seq uint64, run string, err error)
	Get(ctx context.Context, run string) (*client.Run, error)
	List(ctx context.Context, unit string, fn func(*client.Run) error) error
	Evaluate(ctx context.Context, run string, limits []record.Limit, constants map[string]float64) (*record.Result, error)
	ZeroCheck(ctx context.Context, r client.ZeroCheckRequest) (*client.ZeroReport, error)
	Close() error
}

var _ Rig = (*client.Client)(nil)

// Dialer connects to a rig.
type Dialer func(ctx context.Context, address string, opts client.Options) (Rig, error)

func dialClient(ctx context.Context, address string, opts client.Options) (Rig, error) {
	return client.Dial(ctx, address, opts)
}

// rigAddress is a rig that may be asked.
type rigAddress struct {
	name    string // for people: from the rigs file, else the address
	address string
	opts    client.Options
}

// namedRig is a rig that answered, or why it did not.
type namedRig struct {
	rigAddress
	Rig
	err error
}

// rigsFile is the rigs file as written.
type rigsFile struct {
	Rigs strictyaml.Table[rigEntry] `yaml:"rigs"`
}

type rigEntry struct {
	Address    string `yaml:"address"`
	CA         string `yaml:"ca"`
	Cert       string `yaml:"cert"`
	Key        string `yaml:"key"`
	ServerName string `yaml:"server_name"`
	TokenFile  string `yaml:"token_file"`
}

// FromScalar implements strictyaml.Shorthand.
func (r *rigEntry) FromScalar(text string) error { r.Address = text; return nil }

// readRigs reads the rigs file; a default file that is not there is none.
func (s *session) readRigs() ([]rigAddress, error) {
	path, wanted := s.rigsFile, true
	if path == "" {
		path = s.Getenv("SOAK_RIGS_FILE")
	}
	if path == "" {
		dir := s.Getenv("XDG_CONFIG_HOME")
		if dir == "" && s.Getenv("HOME") != "" {
			dir = filepath.Join(s.Getenv("HOME"), ".config")
		}
		if dir == "" {
			return nil, nil
		}
		path, wanted = filepath.Join(dir, "soak", "rigs.yaml"), false
	}
	text, err := os.ReadFile(path)
	if !wanted && errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, usagef("rigs file: %w", err)
	}
	return parseRigs(path, text, s.timeout)
}

func parseRigs(path string, text []byte, timeout lengthFlag) ([]rigAddress, error) {
	doc, err := strictyaml.Parse(path, text)
	if err != nil {
		return nil, &exitError{code: exitUsage, err: err}
	}
	var f rigsFile
	doc.Decode(&f)
	near := func(p string) string {
		if p == "" || filepath.IsAbs(p) {
			return p
		}
		return filepath.Join(filepath.Dir(path), p)
	}
	var out []rigAddress
	for _, name := range f.Rigs.Names {
		e := f.Rigs.Values[name]
		if e.Address == "" {
			doc.Addf("rigs."+name, "has no address, such as %s: 192.0.2.11:7640", name)
		}
		if strings.ContainsAny(name, "/:, ") {
			doc.Addf("rigs."+name, "a rig's name has no '/', ':', ',' or space")
		}
		out = append(out, rigAddress{name: name, address: e.Address, opts: client.Options{
			CAFile: near(e.CA), CertFile: near(e.Cert), KeyFile: near(e.Key), ServerName: e.ServerName, TokenFile: near(e.TokenFile),
			Timeout: time.Duration(float64(timeout) * float64(time.Second)), UserAgent: "soak",
		}})
	}
	if err := doc.Err(); err != nil {
		return nil, &exitError{code: exitUsage, err: err}
	}
	return out, nil
}

// addresses lists the rigs that the command is about.
func (s *session) addresses() ([]rigAddress, error) {
	known, err := s.readRigs()
	if err != nil {
		return nil, err
	}
	asked := s.rigFlags
	if len(asked) == 0 {
		for w := range strings.SplitSeq(s.Getenv("SOAK_RIGS"), ",") {
			if w = strings.TrimSpace(w); w != "" {
				asked = append(asked, w)
			}
		}
	}
	if len(asked) == 0 && len(known) > 0 {
		return known, nil
	}
	if len(asked) == 0 {
		asked = []string{"127.0.0.1:7640"}
	}
	var out []rigAddress
	for _, a := range asked {
		i := slices.IndexFunc(known, func(r rigAddress) bool { return r.name == a })
		if i >= 0 {
			out = append(out, known[i])
			continue
		}
		name, address := a, a
		if before, after, ok := strings.Cut(a, "="); ok { // NAME=ADDRESS
			name, address = before, after
		}
		if !strings.Contains(address, ":") {
			names := make([]string, len(known))
			for i, r := range known {
				names[i] = r.name
			}
			return nil, usagef("rig %q is no address (host:port or unix:/path) and no name of the rigs file%s", a, strictyaml.Suggest(a, names))
		}
		out = append(out, rigAddress{name: name, address: address, opts: client.Options{CAFile: s.caFile, TokenFile: s.token,
			Timeout: time.Duration(float64(s.timeout) * float64(time.Second)), UserAgent: "soak"}})
	}
	return out, nil
}

// dialAll asks all rigs at once and gives them in the order asked for; a rig that
// does not answer has err.
func (s *session) dialAll(ctx context.Context) ([]*namedRig, error) {
	if s.rigs != nil {
		return s.rigs, nil
	}
	list, err := s.addresses()
	if err != nil {
		return nil, err
	}
	rigs := make([]*namedRig, len(list))
	var wg sync.WaitGroup
	for i, a := range list {
		wg.Go(func() {
			rig, err := s.Dial(ctx, a.address, a.opts)
			rigs[i] = &namedRig{rigAddress: a, Rig: rig, err: err}
		})
	}
	wg.Wait()
	s.rigs = rigs
	return rigs, nil
}

// oneRig is for commands that change something: exactly one rig.
func (s *session) oneRig(ctx context.Context) (*namedRig, error) {
	rigs, err := s.dialAll(ctx)
	if err != nil {
		return nil, err
	}
	if len(rigs) > 1 {
		names := make([]string, len(rigs))
		for i, r := range rigs {
			names[i] = r.name
		}
		return nil, usagef("say which rig with --rig: there are %s", strings.Join(names, ", "))
	}
	return rigs[0], rigs[0].err
}

func (s *session) closeRigs() {
	for _, r := range s.rigs {
		if r.err == nil {
			_ = r.Close()
		}
	}
}

func (s *session) completeRigs(root *cobra.Command) {
	err := root.RegisterFlagCompletionFunc("rig", func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		known, err := s.readRigs()
		if err != nil {
			return nil, cobra.ShellCompDirectiveError
		}
		var names []string
		for _, r := range known {
			names = append(names, r.name)
		}
		return names, cobra.ShellCompDirectiveNoFileComp
	})
	if err != nil {
		panic(err) // the flag was not added before: a fault of the program
	}
}
