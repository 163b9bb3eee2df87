package cli

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"soakrig/client"
	"soakrig/client/internal/report"
)

// zeroCommand is soak zero.
func (s *session) zeroCommand() *cobra.Command {
	var r client.ZeroCheckRequest
	var length lengthFlag = 180
	var pressure float64
	cmd := &cobra.Command{
		Use:   "zero",
		Short: "Compare all probes of an unpowered rig, and trim them",
		Long: `Average all probes and compare them. The unit must have been unpowered for about two
hours, all probes at room temperature: this finds converter and terminal offsets, not
errors of the wire. --trim writes the offsets found as calibrations.

Methods: zero_spread (against the mean of the probes or a reference), ice_point (all
in crushed ice and water), steam_point (all in steam; --pressure is the station's
pressure in hPa, not the one reduced to sea level). Exit code 3: the check failed.`,
		Example: `  soak zero --rig bench-1
  soak zero --trim --length 3min
  soak zero --method steam_point --pressure 987.2`,
		Args: cobra.NoArgs,
	}
	out := addOutput(cmd)
	method := &outputFlag{word: "zero_spread", known: []string{"zero_spread", "ice_point", "steam_point"}}
	f := cmd.Flags()
	f.Var(&length, "length", "how long to average")
	f.BoolVar(&r.Trim, "trim", false, "write the offsets found as calibrations")
	f.Var(method, "method", "`METHOD`: zero_spread, ice_point, steam_point")
	complete(cmd, "method", func(string) []string { return method.known })
	f.Float64Var(&pressure, "pressure", 0, "station pressure in `hPa` for steam_point")
	f.StringVar(&r.Operator, "operator", "", "who checks; default: $USER")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if (method.word == "steam_point") != cmd.Flags().Changed("pressure") {
			return usagef("steam_point needs --pressure, the other methods have none")
		}
		if pressure != 0 {
			r.PressureHPa = &pressure
		}
		rig, err := s.oneRig(cmd.Context())
		if err != nil {
			return err
		}
		if r.Operator == "" {
			r.Operator = s.Getenv("USER")
		}
		r.Method, r.Length = method.word, time.Duration(float64(length)*float64(time.Second))
		s.progress("averaging for %s", report.Length(float64(length)))
		found, err := rig.ZeroCheck(cmd.Context(), r)
		if err != nil {
			return err
		}
		if err := s.printZero(found, out.word); err != nil {
			return err
		}
		if !found.Passed {
			return &exitError{code: exitFail, quiet: true}
		}
		return nil
	}
	return cmd
}

func (s *session) printZero(z *client.ZeroReport, form string) error {
	if form == "json" {
		return writeJSON(s.Stdout, z)
	}
	t := report.Table{Head: []string{"probe", "mean °C", "offset K", "correction K", "passed", ""}, Right: []bool{false, true, true, true, false, false}}
	if form == "csv" {
		t.Head = []string{"channel", "mean_c", "offset_k", "correction_k", "passed", "text"}
	}
	cell := func(v *float64) string {
		switch {
		case v == nil && form == "csv":
			return ""
		case v == nil:
			return "–"
		case form == "csv":
			return fmt.Sprintf("%.6g", *v)
		}
		return report.Fixed(*v, 2)
	}
	for _, p := range z.Probes {
		t.Rows = append(t.Rows, []string{p.Channel, cell(p.MeanC), cell(p.OffsetK), cell(p.CorrectionK), fmt.Sprint(p.Passed), p.Text})
	}
	if form == "csv" {
		return t.CSV(s.Stdout)
	}
	word := "passed"
	if !z.Passed {
		word = "FAILED"
	}
	if z.Trimmed {
		word += ", trimmed"
	}
	fmt.Fprintf(s.Stdout, "Zero check %s: %s\n", word, z.Text)
	_, err := fmt.Fprint(s.Stdout, t.Plain())
	return err
}
