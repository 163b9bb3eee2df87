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
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprintln(tw, "CHANNEL\tROLE\tVALUE\tU (k=2)\tEMF mV\tCOLD degC\tCHIP degC\tCORRECTION\tSTATE")
	for _, c := range r.Channels {
		value := number(c.Value, 2)
		if c.Value != nil {
			value += " " + c.Unit
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", c.Channel, c.Role, value, number(c.Expanded, 2),
			number(c.EMFMilliV, 4), number(c.ColdC, 2), number(c.ChipC, 2), number(c.CorrectionK, 2), c.Fault)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	section(w, "How each value comes about", func() {
		for _, g := range together(r.Channels, func(c daemon.ChannelCheck) string { return c.Why }) {
			fmt.Fprintf(w, "  %s: %s\n", strings.Join(g.channels, ", "), g.text)
		}
	})
	if slices.ContainsFunc(r.Channels, func(c daemon.ChannelCheck) bool { return len(c.Warnings) > 0 }) {
		section(w, "Worth knowing", func() {
			for _, c := range r.Channels {
				for _, text := range c.Warnings {
					fmt.Fprintf(w, "  %s: %s\n", c.Channel, text)
				}
			}
		})
	}
	section(w, "Faults", func() {
		for _, g := range together(r.Channels, faultText) {
			fmt.Fprintf(w, "  %s: %s\n", strings.Join(g.channels, ", "), g.text)
		}
		for _, p := range r.Problems {
			if !slices.ContainsFunc(r.Channels, func(c daemon.ChannelCheck) bool { return c.Cause != "" && strings.HasSuffix(p, c.Cause) }) {
				fmt.Fprintf(w, "  %s\n", p)
			}
		}
		if r.OK {
			fmt.Fprintln(w, "  none")
		} else if len(r.Problems) > 0 {
			fmt.Fprintf(w, "  ports of this board: %s\n", portNames(r))
		}
	})
	for _, source := range slices.Sorted(maps.Keys(r.Identity)) {
		section(w, "Found at "+source, func() { fmt.Fprintln(w, "  "+strings.Join(r.Identity[source], "\n  ")) })
	}
	if len(r.Notes) > 0 {
		section(w, "This computer", func() {
			for _, n := range r.Notes {
				fmt.Fprintln(w, "  - "+n)
			}
		})
	}
	section(w, "Cautions", func() {
		for _, c := range r.Cautions {
			fmt.Fprintln(w, "  - "+c)
		}
	})
	return nil
}

// faultText is a channel's fault and its cause; empty: it has a value.
func faultText(c daemon.ChannelCheck) string {
	if c.Fault == "ok" {
		return ""
	}
	return c.Fault + ": " + c.Cause
}

// alike is the channels of which the same is said.
type alike struct {
	text     string
	channels []string
}

// together gathers the channels of which the same is said, in order; those of which
// nothing is said are left out.
func together(all []daemon.ChannelCheck, say func(daemon.ChannelCheck) string) []alike {
	var groups []alike
	for _, c := range all {
		text := say(c)
		if text == "" {
			continue
		}
		i := slices.IndexFunc(groups, func(g alike) bool { return g.text == text })
		if i < 0 {
			groups = append(groups, alike{text: text})
			i = len(groups) - 1
		}
		groups[i].channels = append(groups[i].channels, c.Channel)
	}
	return groups
}

func section(w io.Writer, title string, body func()) {
	fmt.Fprintf(w, "\n%s\n", title)
	body()
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
