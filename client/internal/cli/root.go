package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"soakrig/daemon/manual"
)

// Env is the world that soak runs in.
type Env struct {
	Args   []string // without the program's name
	Stdin  io.Reader
	Stdout io.Writer
	Stderr io.Writer
	Getenv func(string) string
	// Version is what a package stamped into the program; empty: what the Go tool knows.
	Version string
	// Dial connects to a rig; nil: over gRPC.
	Dial Dialer
}

// Run runs one command and gives the exit code.
func Run(ctx context.Context, env Env) int {
	s := &session{Env: env}
	if s.Getenv == nil {
		s.Getenv = os.Getenv
	}
	if s.Dial == nil {
		s.Dial = dialClient
	}
	root := s.root()
	root.SetArgs(env.Args)
	root.SetIn(env.Stdin)
	root.SetOut(env.Stdout)
	root.SetErr(env.Stderr)
	err := root.ExecuteContext(ctx)
	s.closeRigs()
	return tell(env.Stderr, err)
}

// session is one run of soak: the flags that all commands share, and what is open.
type session struct {
	Env
	rigFlags []string
	rigsFile string
	archive  []string
	token    string
	caFile   string
	timeout  lengthFlag

	rigs []*namedRig // dialled

	telling sync.Mutex // held while a line of progress is written: rigs are served at once
}

const rootHelp = `soak talks to soakd on one or more rigs, and works on archives and recordings with
no rig at all. A soak is one run: baseline, sustained load, cooldown, verdict.

Rigs come from --rig (host:port or unix:/path, NAME=ADDRESS, or a name from the rigs
file), else from SOAK_RIGS (separated by commas), else all of the rigs file
(--rigs, SOAK_RIGS_FILE, or soak/rigs.yaml in the configuration folder), else
127.0.0.1:7640. A rigs file:

  rigs:
    bench-1: 192.0.2.11:7640
    bench-2: {address: bench-2.example:7640, ca: lab-ca.pem, token_file: token}

A run is named by its id, RIG/id when several rigs know it, or last; or by a file:
a run file of an archive, a folder of them, or a CSV recording with --map.

` + exitCodesHelp + `
soakd is not a safety device: fit an independent thermal cut-out.`

// root is the command soak with all its commands.
func (s *session) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "soak",
		Short: "Run, watch and judge soaks of power stages",
		Long:  rootHelp,
		Example: `  soak status                                   how the rigs are
  soak start carrier-7 --setup rated --load 60min
  soak watch                                    the run as it goes
  soak show last                                what it came to
  soak report last -f carrier-7.html            one page that opens offline
  soak evaluate rec.csv --map map.yaml          judge another instrument's recording`,
		SilenceUsage: true, SilenceErrors: true,
		Version: version(s.Version),
		Args:    noSuchCommand,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SuggestionsMinimumDistance = 2
	root.SetVersionTemplate("soak {{.Version}}\n")
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if _, letter, ok := strings.Cut(err.Error(), "unknown shorthand flag: "); ok {
			err = fmt.Errorf("unknown flag: %s", letter[strings.LastIndexByte(letter, ' ')+1:])
		}
		return usagef("%w\nSee %s --help", err, cmd.CommandPath())
	})
	s.addRigFlags(root)
	root.AddCommand(append(s.commands(), manual.Command(writePages))...)
	for _, c := range root.Commands() {
		usageArgs(c)
	}
	root.AddCommand(&cobra.Command{Use: "exit-codes", Short: "What the exit codes mean", Long: exitCodesHelp})
	root.CompletionOptions.HiddenDefaultCmd = false
	return root
}

// noSuchCommand refuses what is no command: soak itself takes no argument.
func noSuchCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	hint := ""
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		hint = fmt.Sprintf("; did you mean %s?", strings.Join(near, " or "))
	}
	return usagef("there is no command %q%s", args[0], hint)
}

// addRigFlags adds the flags that say which rigs and runs every command is about.
func (s *session) addRigFlags(root *cobra.Command) {
	f := root.PersistentFlags()
	f.StringArrayVar(&s.rigFlags, "rig", nil, "`RIG` to talk to: host:port, unix:/path, NAME=ADDRESS or a name; may be repeated")
	f.StringVar(&s.rigsFile, "rigs", "", "rigs `FILE`")
	f.StringArrayVar(&s.archive, "archive", nil, "archive `FOLDER` to look runs up in instead of rigs; may be repeated")
	f.StringVar(&s.token, "token-file", "", "`FILE` with the access token for rigs given by address")
	f.StringVar(&s.caFile, "ca-file", "", "`FILE` of the authority that signed the certificates of rigs given by address")
	s.timeout = 10
	f.Var(&s.timeout, "timeout", "longest wait for an answer of a rig")
	s.completeRigs(root)
}

func (s *session) commands() []*cobra.Command {
	return []*cobra.Command{
		s.evaluateCommand(), s.reportCommand(), s.compareCommand(), s.exportCommand(),
		s.statusCommand(), s.watchCommand(), s.startCommand(), s.stopCommand(), s.markCommand(), s.runsCommand(), s.showCommand(),
		s.collectCommand(), s.zeroCommand(), s.campaignCommand(), s.targetsCommand(),
	}
}

// usageArgs makes a wrong number of arguments a usage error that shows the use.
func usageArgs(c *cobra.Command) {
	check := c.Args
	if check == nil {
		return
	}
	c.Args = func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			got := "nothing is named"
			if len(args) > 0 {
				got = fmt.Sprintf("%q is not what is wanted here", strings.Join(args, " "))
			}
			return usagef("%s\nUse: %s\nSee %s --help", got, cmd.UseLine(), cmd.CommandPath())
		}
		return nil
	}
}

func version(stamped string) string {
	if stamped != "" {
		return stamped
	}
	v := "(development)"
	commit := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		if info.Main.Version != "" && info.Main.Version != "(devel)" {
			v = info.Main.Version
		}
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				commit = ", commit " + s.Value
			}
		}
	}
	return v + commit + ", " + runtime.Version() + ", " + runtime.GOOS + "/" + runtime.GOARCH
}

// progress tells on standard error what is going on, when somebody may be watching.
func (s *session) progress(format string, args ...any) {
	s.telling.Lock()
	defer s.telling.Unlock()
	fmt.Fprintf(s.Stderr, format+"\n", args...)
}
