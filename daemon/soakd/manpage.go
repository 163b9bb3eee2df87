package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// writePages writes a manual page for each visible command. What cobra brings for this
// would link a Markdown reader and a YAML writer into the daemon: half a megabyte.
func writePages(c *cobra.Command, folder string) error {
	name := strings.ReplaceAll(c.CommandPath(), " ", "-")
	if err := os.WriteFile(filepath.Join(folder, name+".1"), []byte(manPage(c)), 0o644); err != nil {
		return err
	}
	for _, sub := range visible(c) {
		if err := writePages(sub, folder); err != nil {
			return err
		}
	}
	return nil
}

func visible(c *cobra.Command) (all []*cobra.Command) {
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() && sub.Name() != "completion" {
			all = append(all, sub)
		}
	}
	return all
}

func manPage(c *cobra.Command) string {
	var b strings.Builder
	name := strings.ReplaceAll(c.CommandPath(), " ", "-")
	fmt.Fprintf(&b, ".TH %q 1 %q soakrig soakrig\n", strings.ToUpper(name), pageDate())
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", roff(name), roff(c.Short))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n", roff(c.UseLine()))
	text := c.Long
	if text == "" {
		text = c.Short
	}
	b.WriteString(".SH DESCRIPTION\n" + strings.ReplaceAll(roff(text), "\n\n", "\n.PP\n") + "\n")
	flags := func(title string, set *pflag.FlagSet) {
		if !set.HasAvailableFlags() {
			return
		}
		fmt.Fprintf(&b, ".SH %s\n", title)
		set.VisitAll(func(f *pflag.Flag) { b.WriteString(flagEntry(f)) })
	}
	c.InitDefaultHelpFlag()
	flags("OPTIONS", c.NonInheritedFlags())
	flags("OPTIONS OF EVERY COMMAND", c.InheritedFlags())
	if c.Example != "" {
		b.WriteString(".SH EXAMPLES\n.EX\n" + roff(strings.TrimRight(c.Example, "\n")) + "\n.EE\n")
	}
	var also []string
	if c.HasParent() {
		also = append(also, strings.ReplaceAll(c.Parent().CommandPath(), " ", "-")+"(1)")
	}
	for _, sub := range visible(c) {
		also = append(also, strings.ReplaceAll(sub.CommandPath(), " ", "-")+"(1)")
	}
	b.WriteString(".SH SEE ALSO\n" + roff(strings.Join(append(also, "rig.yaml(5)"), ", ")) + "\n")
	return b.String()
}

func flagEntry(f *pflag.Flag) string {
	if f.Hidden {
		return ""
	}
	value, usage := pflag.UnquoteUsage(f)
	names := "--" + f.Name
	if f.Shorthand != "" {
		names = "-" + f.Shorthand + ", " + names
	}
	if f.DefValue != "" && f.DefValue != "false" {
		usage += " (default " + f.DefValue + ")"
	}
	return fmt.Sprintf(".TP\n.B %s\n%s\n", roff(strings.TrimSpace(names+" "+value)), roff(usage))
}

// pageDate is the month that SOURCE_DATE_EPOCH says, empty if it says nothing: a page
// is the same whenever it is made.
func pageDate() string {
	seconds, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64)
	if err != nil {
		return ""
	}
	return time.Unix(seconds, 0).UTC().Format("Jan 2006")
}

// roff escapes text: backslashes, hyphens, and lines that would begin a request.
func roff(text string) string {
	lines := strings.Split(strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(text), "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") {
			lines[i] = `\&` + l
		}
	}
	return strings.Join(lines, "\n")
}
