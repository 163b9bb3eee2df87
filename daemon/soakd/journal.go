package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"soakrig/daemon"
)

// journalCommand inspects a journal without soakd: it only reads.
func journalCommand(file *string) *cobra.Command {
	c := &cobra.Command{
		Use:   "journal",
		Short: "Inspect a journal: ranges, gaps, health, bytes for each value",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	var output string
	add := func(use, short, long string, fails bool) {
		sub := &cobra.Command{
			Use: use + " [FOLDER]", Short: short, Long: long, Args: cobra.MaximumNArgs(1),
			Example: "  soakd journal " + use + " /var/lib/soakd",
			RunE: func(c *cobra.Command, args []string) error {
				if !slices.Contains([]string{"text", "json"}, output) {
					return fmt.Errorf("-o %q: want text or json", output)
				}
				dir, err := journalDir(*file, args)
				if err != nil {
					return err
				}
				r, err := daemon.InspectJournal(dir)
				if err != nil {
					return err
				}
				if err := printJournal(c.OutOrStdout(), r, output, !fails); err != nil {
					return err
				}
				if fails && !r.Healthy {
					return errFailed
				}
				return nil
			},
		}
		sub.Flags().StringVarP(&output, "output", "o", "text", "text or json")
		c.AddCommand(sub)
	}
	add("info", "Say what a journal holds", "info reads a journal, or a copied folder of one on another machine, and says what it\nholds. Nothing is changed.", false)
	add("check", "Verify every entry of a journal", "check reads every entry of a journal and verifies its checksum. It exits with 0 only if\nnothing is damaged. Nothing is changed; a running soakd is not disturbed.", true)
	return c
}

// journalDir is the folder that was named, else the configuration's.
func journalDir(file string, args []string) (string, error) {
	if len(args) == 1 {
		return args[0], nil
	}
	c, err := load(file)
	if err != nil {
		return "", fmt.Errorf("name the journal's folder, or a configuration that does: %w", err)
	}
	return c.Journal.Dir, nil
}

func printJournal(w io.Writer, r daemon.JournalReport, output string, files bool) error {
	if output == "json" {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		return enc.Encode(r)
	}
	state := "healthy"
	if !r.Healthy {
		state = "DAMAGED"
	}
	fmt.Fprintf(w, "journal %s in %s: %s\n", r.ID, r.Dir, state)
	fmt.Fprintf(w, "  entries   %d to %d (%d readable, %d samples, %d values)\n", r.Oldest, r.Newest, r.Entries, r.Samples, r.Values)
	if r.Entries > 0 {
		fmt.Fprintf(w, "  time      %s to %s\n", r.First.Wall().Format("2006-01-02 15:04:05 MST"), r.Last.Wall().Format("2006-01-02 15:04:05 MST"))
	}
	fmt.Fprintf(w, "  size      %d bytes", r.Bytes)
	if r.BytesPerValue > 0 {
		fmt.Fprintf(w, ", %.2f for each sealed value", r.BytesPerValue)
	}
	fmt.Fprintf(w, "\n  records   %d runs, %d calibrations, %d pins\n", r.Runs, r.Calibrations, r.Pins)
	if r.Unknown > 0 {
		fmt.Fprintf(w, "  unknown   %d entries of types that this soakd does not know\n", r.Unknown)
	}
	if r.InUse {
		fmt.Fprintln(w, "  in use    a soakd has it open")
	} else if !r.Clean {
		fmt.Fprintln(w, "  not closed in order: the next soakd begins behind what may have been streamed")
	}
	for _, g := range r.Missing {
		fmt.Fprintf(w, "  missing   %d to %d: %s %s\n", g.From, g.To, g.Cause, g.Text)
	}
	if r.RecordsTrouble != "" {
		fmt.Fprintf(w, "  records   %s\n", r.RecordsTrouble)
	}
	for _, f := range r.SetAside {
		fmt.Fprintf(w, "  set aside %s\n", f)
	}
	if files {
		for _, f := range r.Files {
			text, err := json.Marshal(f)
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "  file      %s\n", text)
		}
	}
	return nil
}
