package main

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"soakrig/daemon"
	"soakrig/drivers/all"
)

func checkCommand(file *string) *cobra.Command {
	var output string
	c := &cobra.Command{
		Use:   "check",
		Short: "Check the configuration, then open and read every source once",
		Long: "check reads the configuration, opens every source, reads it once and prints each channel\n" +
			"with its evidence: EMF, cold junction, the chip's own number, the value with its expanded\n" +
			"uncertainty (k = 2), or the fault and its cause. Nothing is stored. It exits with 0 only\n" +
			"if every channel has a value.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if !slices.Contains([]string{"text", "json"}, output) {
				return fmt.Errorf("-o %q: want text or json", output)
			}
			cfg, err := load(*file)
			if err != nil {
				return err
			}
			r, err := daemon.Check(c.Context(), cfg, all.Drivers())
			if err != nil {
				return err
			}
			if output == "json" {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				err = enc.Encode(r)
			} else {
				err = printCheck(c.OutOrStdout(), r)
			}
			if err == nil && !r.OK {
				return errFailed
			}
			return err
		},
	}
	c.Flags().StringVarP(&output, "output", "o", "text", "text or json")
	return c
}

func printCheck(w io.Writer, r daemon.CheckReport) error {
	if r.Simulated {
		fmt.Fprintf(w, "rig %s: SIMULATED, nothing below is a measurement\n\n", r.Rig)
	} else {
		fmt.Fprintf(w, "rig %s\n\n", r.Rig)
	}
	if err := printChannels(w, r.Channels); err != nil {
		return err
	}
	section(w, "How each value comes about", together(r.Channels, func(c daemon.ChannelCheck) string { return c.Why }))
	if lines := warningLines(r.Channels); len(lines) > 0 {
		section(w, "Worth knowing", lines)
	}
	section(w, "Faults", faultLines(r))
	for _, source := range slices.Sorted(maps.Keys(r.Identity)) {
		section(w, "Found at "+source, r.Identity[source])
	}
	if len(r.Notes) > 0 {
		section(w, "This computer", bullets(r.Notes))
	}
	section(w, "Cautions", bullets(r.Cautions))
	return nil
}

// printChannels prints each channel with its evidence, a line each.
func printChannels(w io.Writer, channels []daemon.ChannelCheck) error {
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "CHANNEL\tROLE\tVALUE\tU (k=2)\tEMF mV\tCOLD degC\tCHIP degC\tCORRECTION\tSTATE")
	for _, c := range channels {
		value := number(c.Value, 2)
		if c.Value != nil {
			value += " " + c.Unit
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", c.Channel, c.Role, value, number(c.Expanded, 2),
			number(c.EMFMilliV, 4), number(c.ColdC, 2), number(c.ChipC, 2), number(c.CorrectionK, 2), c.Fault)
	}
	return tw.Flush()
}

func warningLines(channels []daemon.ChannelCheck) (lines []string) {
	for _, c := range channels {
		for _, text := range c.Warnings {
			lines = append(lines, c.Channel+": "+text)
		}
	}
	return lines
}

// faultLines are the channels without a value and why, then what no channel says
// already.
func faultLines(r daemon.CheckReport) []string {
	lines := together(r.Channels, faultText)
	for _, p := range r.Problems {
		if !slices.ContainsFunc(r.Channels, func(c daemon.ChannelCheck) bool { return c.Cause != "" && strings.HasSuffix(p, c.Cause) }) {
			lines = append(lines, p)
		}
	}
	if r.OK {
		lines = append(lines, "none")
	} else if len(r.Problems) > 0 {
		lines = append(lines, "ports of this board: "+portNames(r))
	}
	return lines
}

func bullets(texts []string) (lines []string) {
	for _, t := range texts {
		lines = append(lines, "- "+t)
	}
	return lines
}

// faultText is a channel's fault and its cause; empty: it has a value.
func faultText(c daemon.ChannelCheck) string {
	if c.Fault == "ok" {
		return ""
	}
	return c.Fault + ": " + c.Cause
}

// together says what is said of channels, a line for all of which the same is said, in
// order; those of which nothing is said are left out.
func together(all []daemon.ChannelCheck, say func(daemon.ChannelCheck) string) (lines []string) {
	var texts []string
	names := map[string][]string{}
	for _, c := range all {
		text := say(c)
		if text == "" {
			continue
		}
		if names[text] == nil {
			texts = append(texts, text)
		}
		names[text] = append(names[text], c.Channel)
	}
	for _, text := range texts {
		lines = append(lines, strings.Join(names[text], ", ")+": "+text)
	}
	return lines
}

func section(w io.Writer, title string, lines []string) {
	fmt.Fprintf(w, "\n%s\n", title)
	for _, l := range lines {
		fmt.Fprintln(w, "  "+l)
	}
}

func number(v *float64, digits int) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.*f", digits, *v)
}

func portNames(r daemon.CheckReport) string {
	var names []string
	for _, p := range r.Ports {
		if p.Kind == "gpio" {
			continue
		}
		name := p.Name
		if p.Note != "" {
			name += " (" + p.Note + ")"
		}
		names = append(names, name)
	}
	if len(names) == 0 {
		return "none: no SPI, I2C or serial port was found; is the bus enabled?"
	}
	return strings.Join(names, ", ")
}
