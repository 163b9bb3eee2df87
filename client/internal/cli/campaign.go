package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"soakrig/client/internal/campaign"
	"soakrig/client/internal/report"
	"soakrig/daemon/record"
	"soakrig/daemon/strictyaml"
)

const campaignHelp = `Show what of a campaign is done, missing, void, superseded or not comparable, and
build its report. The file says what is wanted:

  campaign: Carriers, spring
  units: [carrier-7, {unit: carrier-8, revision: B}]
  setups: [rated, boosted]
  conditions: {enclosure: closed, fans: stock}   # every run must have them
  repeats: 2                                     # runs wanted for each unit and setup

A unit without a revision counts in that of its newest run; runs of other revisions
are shown as superseded. Exit code 1 while something is missing.`

// campaignFlags are the flags of soak campaign.
type campaignFlags struct {
	page   string // file of the report; empty: none
	force  bool
	output *outputFlag
}

// campaignCommand is soak campaign.
func (s *session) campaignCommand() *cobra.Command {
	var o campaignFlags
	cmd := &cobra.Command{
		Use:   "campaign FILE RUN... [-f PAGE]",
		Short: "Show what of a campaign is done and missing, and report it",
		Long:  campaignHelp,
		Example: `  soak campaign spring.yaml archive/
  soak campaign spring.yaml archive/ -f spring.html`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error { return s.campaign(cmd.Context(), args[0], args[1:], o) },
	}
	o.output = addOutput(cmd)
	cmd.Flags().StringVarP(&o.page, "file", "f", "", "write the report of the runs that count to `PAGE`")
	cmd.Flags().BoolVar(&o.force, "force", false, "overwrite the page")
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return []string{"yaml", "yml"}, cobra.ShellCompDirectiveFilterFileExt
		}
		return s.completeRuns(cmd, args, to)
	}
	return cmd
}

func (s *session) campaign(ctx context.Context, file string, args []string, o campaignFlags) error {
	c, err := loadCampaign(file)
	if err != nil {
		return err
	}
	if err := free(o.force, o.page); err != nil {
		return err
	}
	runs, err := s.load(ctx, args, "")
	if err != nil {
		return err
	}
	slices.SortStableFunc(runs, func(a, b *loaded) int {
		return cmp.Compare(a.run.Record.StartedWallNS, b.run.Record.StartedWallNS)
	})
	all, err := results(runs)
	if err != nil {
		return err
	}
	st := c.Sort(all)
	if err := s.printCampaign(st, o.output.word); err != nil {
		return err
	}
	if o.page != "" {
		page, err := s.campaignPage(ctx, c, st, runs)
		if err != nil {
			return err
		}
		if err := s.writeFile(o.page, o.force, page.Write); err != nil {
			return err
		}
	}
	if st.Missing > 0 {
		return &exitError{code: exitFailure, quiet: true}
	}
	return nil
}

// loadCampaign reads a campaign's file. What is wrong with it is wrong use, as is a
// file that is not there.
func loadCampaign(file string) (*campaign.Campaign, error) {
	c, err := campaign.Load(file)
	var problems strictyaml.Problems
	if errors.As(err, &problems) {
		return nil, &exitError{code: exitUsage, err: err}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, usagef("%w; soak campaign --help shows what stands in one", err)
	}
	return c, err
}

func (s *session) printCampaign(st *campaign.State, form string) error {
	switch form {
	case "json":
		return writeJSON(s.Stdout, st)
	case "csv":
		t := report.Table{Head: []string{"unit", "revision", "setup", "wanted", "done", "missing", "rig", "run", "place", "why"}}
		for _, row := range st.Rows {
			head := []string{row.Unit, row.Revision, row.Setup, fmt.Sprint(row.Wanted), fmt.Sprint(row.Done), fmt.Sprint(row.Missing)}
			if len(row.Runs) == 0 {
				t.Rows = append(t.Rows, append(head, "", "", "", ""))
			}
			for _, r := range row.Runs {
				t.Rows = append(t.Rows, append(slices.Clone(head), r.Rig, r.Run, string(r.Place), r.Why))
			}
		}
		return t.CSV(s.Stdout)
	}
	fmt.Fprint(s.Stdout, doneTable(st).Plain())
	fmt.Fprintln(s.Stdout)
	for _, n := range doneNotes(st) {
		fmt.Fprintln(s.Stdout, n)
	}
	if len(st.Foreign) > 0 {
		fmt.Fprintf(s.Stdout, "left out: %d runs of no unit and setup of the campaign\n", len(st.Foreign))
	}
	word := "nothing is missing"
	if st.Missing > 0 {
		word = fmt.Sprintf("%d of %d runs are missing", st.Missing, wanted(st))
	}
	_, err := fmt.Fprintln(s.Stdout, word)
	return err
}

// runPlaces lists runs, those that do not count in brackets.
func runPlaces(runs []campaign.Run) string {
	var parts []string
	for _, r := range runs {
		text := r.Run
		if r.Place != campaign.Counts && r.Place != campaign.Extra {
			text = "(" + text + " " + strings.ReplaceAll(string(r.Place), "_", " ") + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// doneTable says what of a campaign is done and missing.
func doneTable(st *campaign.State) *report.Table {
	t := &report.Table{Head: []string{"unit", "setup", "done", "of", "missing", "runs"}, Right: []bool{false, false, true, true, true, false}}
	for _, row := range st.Rows {
		name := row.Unit
		if row.Revision != "" {
			name += " rev. " + row.Revision
		}
		t.Rows = append(t.Rows, []string{name, row.Setup, fmt.Sprint(row.Done), fmt.Sprint(row.Wanted), fmt.Sprint(row.Missing), runPlaces(row.Runs)})
	}
	return t
}

// doneNotes say why runs of a campaign do not count.
func doneNotes(st *campaign.State) []string {
	var out []string
	for _, row := range st.Rows {
		for _, r := range row.Runs {
			if r.Place != campaign.Counts {
				out = append(out, fmt.Sprintf("%s/%s %s: %s", r.Rig, r.Run, strings.ReplaceAll(string(r.Place), "_", " "), report.Prose(r.Why)))
			}
		}
	}
	return out
}

func wanted(st *campaign.State) (n int) {
	for _, row := range st.Rows {
		n += row.Wanted
	}
	return n
}

// campaignPage is the report of the runs that the campaign shows.
func (s *session) campaignPage(ctx context.Context, c *campaign.Campaign, st *campaign.State, runs []*loaded) (*report.Page, error) {
	shown := map[*record.Result]bool{}
	for _, r := range st.Shown() {
		shown[r] = true
	}
	var list []*loaded
	for _, l := range runs {
		if shown[&l.run.Result] {
			list = append(list, l)
		}
	}
	if len(list) == 0 {
		return nil, errors.New("no run of the campaign is done: there is nothing to report")
	}
	page, err := s.page(ctx, list, pageOptions{title: cmp.Or(c.Title, "Campaign")})
	if err != nil {
		return nil, err
	}
	page.Done, page.DoneNotes = doneTable(st), doneNotes(st)
	return page, nil
}
