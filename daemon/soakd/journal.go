package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/daemon"
	"soakrig/daemon/record"
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
	printHealth(w, r)
	for _, f := range r.Files {
		sound := f.Trouble == "" && f.Damaged == 0
		if files || !sound {
			printFile(w, f, sound)
		}
	}
	switch {
	case r.Newer > 0:
		fmt.Fprintf(w, "A newer soakd wrote this (format %d): look at it and go on with that one.\n", r.Newer)
	case !r.Healthy && r.InUse:
		fmt.Fprintln(w, "Copy the folder before anything else. soakd reads past the damage and reports what is missing; at its next start\nit sets damaged files aside and saves every entry that matches its checksum.")
	case !r.Healthy:
		fmt.Fprintln(w, "Copy the folder before anything else. soakd sets damaged files aside when it starts, saves every entry that matches\nits checksum, and tells in the journal which entries are gone.")
	case !files:
		fmt.Fprintf(w, "Every entry was read and matches its checksum: %d entries in %s.\n", r.Entries, plural(len(r.Files), "file"))
	}
	return nil
}

func printHealth(w io.Writer, r daemon.JournalReport) {
	state := "healthy"
	switch {
	case r.Newer > 0:
		state = "NOT READ, of a newer format"
	case !r.Healthy:
		state = "DAMAGED"
	}
	id := r.ID
	if id == "" {
		id = "(its id can't be read)"
	}
	fmt.Fprintf(w, "journal %s in %s: %s\n", id, r.Dir, state)
	if r.Entries > 0 {
		fmt.Fprintf(w, "  entries   %d to %d (%d readable, %d samples, %d values)\n", r.Oldest, r.Newest, r.Entries, r.Samples, r.Values)
		fmt.Fprintf(w, "  time      %s to %s\n", wall(r.First), wall(r.Last))
	} else {
		fmt.Fprintln(w, "  entries   none can be read")
	}
	fmt.Fprintf(w, "  size      %d bytes", r.Bytes)
	if r.BytesPerValue > 0 {
		fmt.Fprintf(w, ", %.2f for each sealed value", r.BytesPerValue)
	}
	fmt.Fprintln(w)
	if r.RecordsTrouble == "" {
		fmt.Fprintf(w, "  records   %s, %s, %s\n", plural(r.Runs, "run"), plural(r.Calibrations, "calibration"), plural(r.Pins, "pin"))
	} else {
		fmt.Fprintf(w, "  records   runs, calibrations and pins can't be read: %s\n", r.RecordsTrouble)
	}
	if r.Unknown > 0 {
		fmt.Fprintf(w, "  unknown   %s of types that this soakd does not know\n", plural(int(r.Unknown), "entry"))
	}
	switch {
	case r.InUse:
		fmt.Fprintln(w, "  in use    a soakd has it open")
	case !r.Clean && r.Newer == 0:
		fmt.Fprintln(w, "  stopped   not in order, or this is a copy of one in use: the next soakd begins behind what may have been streamed")
	}
	for _, g := range r.Missing {
		fmt.Fprintf(w, "  missing   %d to %d (%s): %s\n", g.From, g.To, g.Cause, g.Text)
	}
	for _, f := range r.SetAside {
		fmt.Fprintf(w, "  set aside %s\n", f)
	}
}

// wall is a stamp's wall time, and a warning where nothing had set the clock.
func wall(s record.Stamp) string {
	text := s.Wall().UTC().Format("2006-01-02 15:04:05 MST")
	if !s.Synced {
		text += " (clock not synchronised)"
	}
	return text
}

func printFile(w io.Writer, f daemon.JournalFile, sound bool) {
	fmt.Fprintf(w, "  file      %s: ", f.Name)
	if f.First == 0 && !sound {
		fmt.Fprint(w, "nothing could be read")
	} else if f.First == 0 {
		fmt.Fprint(w, "no entries")
	} else {
		fmt.Fprintf(w, "%d to %d, %s, %s not sealed yet", f.First, f.Last, plural(f.Blocks, "sealed block"), plural(f.Live, "commit"))
	}
	fmt.Fprintf(w, ", %d bytes\n", f.Bytes)
	if sound {
		return
	}
	if f.Damaged > 0 {
		fmt.Fprintf(w, "            %s can't be used: the checksum does not match\n", plural(f.Damaged, "row"))
	}
	if f.Trouble != "" {
		fmt.Fprintf(w, "            %s\n", strings.ReplaceAll(f.Trouble, "\n", "\n            "))
	}
}

// plural counts things in words.
func plural(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case strings.HasSuffix(what, "y"):
		return fmt.Sprintf("%d %sies", n, strings.TrimSuffix(what, "y"))
	}
	return fmt.Sprintf("%d %ss", n, what)
}
