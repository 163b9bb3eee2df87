package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/daemon/strictyaml"
)

// outputFlag is -o of a reading command.
type outputFlag struct {
	word  string
	known []string
}

func (o *outputFlag) String() string { return o.word }

// Set implements pflag.Value.
func (o *outputFlag) Set(s string) error {
	if !slices.Contains(o.known, s) {
		return fmt.Errorf("want %s", strings.Join(o.known, ", "))
	}
	o.word = s
	return nil
}

// Type implements pflag.Value.
func (o *outputFlag) Type() string { return "FORMAT" }

// addOutput gives a command -o.
func addOutput(cmd *cobra.Command, more ...string) *outputFlag {
	o := &outputFlag{word: "text", known: append([]string{"text", "json", "csv"}, more...)}
	cmd.Flags().VarP(o, "output", "o", "output `FORMAT`: "+strings.Join(o.known, ", "))
	complete(cmd, "output", func(string) []string { return o.known })
	return o
}

// complete offers words for a flag.
func complete(cmd *cobra.Command, flag string, words func(toComplete string) []string) {
	err := cmd.RegisterFlagCompletionFunc(flag, func(_ *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
		return words(to), cobra.ShellCompDirectiveNoFileComp
	})
	if err != nil {
		panic(err) // the flag was not added before: a fault of the program
	}
}

// writeJSON writes v indented, one document.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// lengthFlag is a length of time in seconds, written with its unit.
type lengthFlag float64

func (l *lengthFlag) String() string {
	return strconv.FormatFloat(float64(*l), 'g', -1, 64) + "s"
}

// Set implements pflag.Value.
func (l *lengthFlag) Set(text string) error {
	v, err := strictyaml.ParseSeconds(text)
	*l = lengthFlag(v)
	return err
}

// Type implements pflag.Value.
func (l *lengthFlag) Type() string { return "LENGTH" }
