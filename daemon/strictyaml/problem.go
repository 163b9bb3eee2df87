package strictyaml

import (
	"fmt"
	"slices"
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
	var lines []string
	for i, p := range ps {
		if i == mostTold {
			lines = append(lines, fmt.Sprintf("%s: and %d problems more", p.File, len(ps)-i))
			break
		}
		lines = append(lines, p.Error())
	}
	return strings.Join(lines, "\n")
}

// mostTold is how many problems a text tells of one file.
const mostTold = 100

// At says whether one of the problems is about a key.
func (ps Problems) At(key string) bool {
	return slices.ContainsFunc(ps, func(p Problem) bool { return p.Key == key })
}

// Below says whether one of the problems is about a key, or about one below it.
func (ps Problems) Below(key string) bool {
	return slices.ContainsFunc(ps, func(p Problem) bool {
		left, ok := strings.CutPrefix(p.Key, key)
		return ok && (left == "" || left[0] == '.' || left[0] == '[')
	})
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

// mostNamed is how many known words are named beside the one that is likely meant.
const mostNamed = 24

// Suggest is the tail of a message about a word that is not known: the nearest
// known word if one is near, and all of them unless there are many.
func Suggest(word string, known []string) string {
	s := ""
	if best := Nearest(word, known); best != "" {
		s = fmt.Sprintf("; did you mean %q?", best)
	}
	if len(known) > 0 && (s == "" || len(known) <= mostNamed) {
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
