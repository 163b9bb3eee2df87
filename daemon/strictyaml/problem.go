package strictyaml

import (
	"fmt"
	"sort"
	"strings"
)

// Problem is one thing wrong with a file.
type Problem struct {
	File   string
	Line   int    // from 1; zero: the file as a whole
	Column int    // from 1
	Key    string // path of the key, for instance channels.vr1.unit; may be empty
	Text   string // what is wrong and what would be right
}

func (p Problem) Error() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
	}
	if p.Key != "" {
		return where + ": " + p.Key + ": " + p.Text
	}
	return where + ": " + p.Text
}

// Problems is everything wrong with a file, in order of position.
type Problems []Problem

func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// sorted puts the problems in order of position; those of one place stay as found.
func (ps Problems) sorted() Problems {
	sort.SliceStable(ps, func(i, j int) bool {
		if ps[i].Line != ps[j].Line {
			return ps[i].Line < ps[j].Line
		}
		return ps[i].Column < ps[j].Column
	})
	return ps
}

// Suggest is the tail of a message about a word that is not known: the nearest
// known word if one is near, and all of them.
func Suggest(word string, known []string) string {
	s := ""
	if best := Nearest(word, known); best != "" {
		s = fmt.Sprintf("; did you mean %q?", best)
	}
	if len(known) > 0 {
		s += " (known: " + strings.Join(known, ", ") + ")"
	}
	return s
}

// Nearest is the known word that differs in the fewest letters; empty when none is
// near enough to be meant, that is when more than a third of the letters and one differ.
func Nearest(word string, known []string) string {
	best, least := "", min(len(word)/3+2, len(word))
	for _, k := range known {
		if strings.EqualFold(k, word) {
			return k
		}
		if n := distance(strings.ToLower(word), strings.ToLower(k)); n < least {
			best, least = k, n
		}
	}
	return best
}

// distance is the number of single-letter edits between two words (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
