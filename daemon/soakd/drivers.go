package main

import (
	"fmt"
	"io"
	"sort"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"soakrig/drivers"
	"soakrig/drivers/all"
)

func driversCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "drivers [NAME]",
		Short:   "List the drivers, or explain one: options, accuracy, what it can and can't detect",
		Example: "  soakd drivers\n  soakd drivers max31855",
		Args:    cobra.MaximumNArgs(1),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return driverNames(), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				tw := tabwriter.NewWriter(c.OutOrStdout(), 0, 8, 2, ' ', 0)
				for _, name := range driverNames() {
					fmt.Fprintf(tw, "%s\t%s\n", name, find(name).Info.Summary)
				}
				return tw.Flush()
			}
			d := find(args[0])
			if d == nil {
				return fmt.Errorf("no driver %q; there are: %v", args[0], driverNames())
			}
			return explain(c.OutOrStdout(), d)
		},
	}
}

func driverNames() []string {
	var names []string
	for _, d := range all.Drivers() {
		names = append(names, d.Name)
	}
	sort.Strings(names)
	return names
}

func find(name string) *drivers.Driver {
	for _, d := range all.Drivers() {
		if d.Name == name {
			return d
		}
	}
	return nil
}

func explain(w io.Writer, d *drivers.Driver) error {
	fmt.Fprintf(w, "%s: %s\n", d.Name, d.Info.Summary)
	if d.Info.Bus != "" {
		fmt.Fprintf(w, "Bus: %s\n", d.Info.Bus)
	}
	if d.Info.Fastest > 0 {
		fmt.Fprintf(w, "Shortest period: %v\n", d.Info.Fastest)
	}
	if len(d.Info.Options) > 0 {
		fmt.Fprintln(w, "\nOptions")
		tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
		for _, o := range d.Info.Options {
			def := "default " + o.Default
			if o.Default == "" {
				def = "required"
			}
			fmt.Fprintf(tw, "  %s\t%s\t%s\t%s\t%s\n", o.Key, o.Scope, o.Unit, def, o.Help)
		}
		if err := tw.Flush(); err != nil {
			return err
		}
	}
	for _, list := range []struct {
		title string
		lines []string
	}{{"Accuracy", d.Info.Accuracy}, {"Detects", d.Info.Detects}, {"Can't detect", d.Info.Misses}} {
		if len(list.lines) == 0 {
			continue
		}
		fmt.Fprintf(w, "\n%s\n", list.title)
		for _, l := range list.lines {
			fmt.Fprintf(w, "  - %s\n", l)
		}
	}
	if d.Info.Caution != "" {
		fmt.Fprintf(w, "\nCaution\n  %s\n", d.Info.Caution)
	}
	return nil
}
