package report

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode/utf8"

	"soakrig/daemon/record"
)

// Text writes a run for a terminal or a mail: verdict and reasons, the facts, the
// probes, what was noticed.
func Text(w io.Writer, r *record.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n", Headline(r), Title(r))
	if s := startedText(r.Started); s != "" {
		fmt.Fprintf(&b, "started %s, %s recorded; %s\n", s, Length(r.DurationS), zoneNote(r))
	} else {
		fmt.Fprintf(&b, "%s recorded; %s\n", Length(r.DurationS), zoneNote(r))
	}
	story := storyOf(r)
	if len(story) > 0 {
		b.WriteString("\nWhat happened\n")
	}
	for _, m := range story {
		when := m.When
		if when != "" {
			when += " "
		}
		wrapped(&b, "  "+when+" ", m.Text)
	}
	list(&b, "Why", reasonTexts(r))
	list(&b, "Before the next run", adviceOf(r))
	b.WriteByte('\n')
	for _, f := range factsOf(r) {
		wrapped(&b, fmt.Sprintf("%s %-9s", f.State.Mark(), f.Label), f.Text)
	}
	b.WriteString("\nProbes\n")
	b.WriteString(probeTable(r).Plain())
	if len(r.Budget) > 0 && r.Peak != nil {
		fmt.Fprintf(&b, "\nUncertainty of the peak on %s\n", r.Peak.Channel)
		b.WriteString(budgetTable(r).Plain())
	}
	if len(r.Marks) > 0 {
		b.WriteString("\nMarks\n")
		for _, m := range r.Marks {
			wrapped(&b, fmt.Sprintf("  %s  ", clockTime(r, m.AtS)), m.Text)
		}
	}
	fmt.Fprintf(&b, "\n± is the expanded uncertainty, k = 2. Computed by %s.\n", r.Algorithm)
	_, err := io.WriteString(w, b.String())
	return err
}

func list(b *strings.Builder, head string, lines []string) {
	if len(lines) == 0 {
		return
	}
	b.WriteString("\n" + head + "\n")
	for _, l := range lines {
		wrapped(b, "  - ", l)
	}
}

func reasonTexts(r *record.Result) []string {
	var out []string
	for _, why := range r.Reasons {
		out = append(out, Prose(why.Text))
	}
	return out
}

// FindingText is a finding in one sentence, with its run time.
func FindingText(f *record.Finding) string {
	s := findingWords(f)
	if f.FromS != nil {
		when := RunTime(*f.FromS)
		if f.ToS != nil && *f.ToS > *f.FromS {
			when += " to " + RunTime(*f.ToS)
		}
		s = when + " " + s
	}
	return s
}

// findingWords is what was seen, and after it what that fits.
func findingWords(f *record.Finding) string {
	s := f.Seen
	if s == "" {
		s = strings.ReplaceAll(f.Code, "_", " ")
	}
	if f.Channel != "" && !strings.Contains(s, f.Channel) {
		s = f.Channel + ": " + s
	}
	if f.Consistent != "" {
		s += "; " + f.Consistent
	}
	return Prose(s)
}

const textWidth = 96

// wrapped writes text after a lead, folded at words, further lines indented.
func wrapped(b *strings.Builder, lead, text string) {
	text = glue(text)
	indent := strings.Repeat(" ", utf8.RuneCountInString(lead)+1)
	if strings.HasSuffix(lead, " ") {
		indent = indent[1:]
	} else {
		lead += " "
	}
	b.WriteString(lead)
	at := utf8.RuneCountInString(lead)
	for i, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\n' }) {
		n := utf8.RuneCountInString(word)
		if i > 0 && at+1+n > textWidth {
			b.WriteString("\n" + indent)
			at = len(indent)
		} else if i > 0 {
			b.WriteByte(' ')
			at++
		}
		b.WriteString(strings.ReplaceAll(word, nbsp, " "))
		at += n
	}
	b.WriteByte('\n')
}

const nbsp = "\u00a0"

var numberUnit = regexp.MustCompile(`([0-9]) (°C|K/h|K|W|Wh|kWh|s|min|h|%)|([0-9]) (%)`)

// glue keeps a number and its unit on one line.
func glue(text string) string {
	return numberUnit.ReplaceAllString(text, "$1$3"+nbsp+"$2$4")
}

// Prose is text of the analysis as people read it: units and signs as on a page.
func Prose(text string) string {
	return strings.NewReplacer(" degC", " °C", "+-", "±").Replace(text)
}
