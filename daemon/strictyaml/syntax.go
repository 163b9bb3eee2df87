package strictyaml

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
)

// maxFile is the largest file that is read: what people write by hand is far below.
const maxFile = 1 << 20

// unreadable says what makes a text no YAML before anybody parses it; nil: nothing.
func unreadable(file string, text []byte) *Problem {
	p := &Problem{File: file}
	at := func(i int, format string, args ...any) *Problem {
		before := text[:i]
		p.Line = bytes.Count(before, []byte("\n")) + 1
		p.Column = utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
		p.Text = fmt.Sprintf(format, args...)
		return p
	}
	switch {
	case len(text) > maxFile:
		p.Text = fmt.Sprintf("the file has %.1f MB, more than the %d MB that are read: is it the right one?", float64(len(text))/1e6, maxFile>>20)
		return p
	case bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")):
		p.Text = "the file is in UTF-16: save it as UTF-8"
		return p
	}
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			return at(i, "the byte 0x%02X is not UTF-8: save the file as UTF-8", text[i])
		case r < ' ' && r != '\t' && r != '\n' && r != '\r':
			return at(i, "the byte 0x%02X is no text: is it the right file, saved as UTF-8?", text[i])
		}
		i += n
	}
	return nil
}

// syntax words why a text is not YAML.
func (d *Doc) syntax(err error, text string) Problem {
	p := Problem{File: d.file, Text: "this is not YAML: " + firstLine(err.Error())}
	var syntax *yaml.SyntaxError
	if !errors.As(err, &syntax) {
		return p
	}
	p.Text = "this is not YAML: " + syntax.Message
	if syntax.Token != nil && syntax.Token.Position != nil {
		p.Line, p.Column = syntax.Token.Position.Line, syntax.Token.Position.Column
	}
	lines := strings.Split(text, "\n")
	for _, n := range []int{p.Line, p.Line + 1, p.Line - 1} {
		if n < 1 || n > len(lines) {
			continue
		}
		if i := strings.IndexAny(indentOf(lines[n-1]), "\t\u00a0"); i >= 0 {
			what := "a tab"
			if lines[n-1][i] != '\t' {
				what = "a no-break space"
			}
			p.Line, p.Column, p.Text = n, i+1, "this is not YAML: "+what+" stands in the indentation: indent with spaces only"
			return p
		}
	}
	for _, w := range wordings {
		if strings.Contains(syntax.Message, w.message) {
			p.Text = "this is not YAML: " + w.text
			break
		}
	}
	return p
}

// indentOf is what stands before the first letter of a line.
func indentOf(line string) string {
	return line[:len(line)-len(strings.TrimLeft(line, " \t\u00a0-"))]
}

const (
	fit      = "indent it as far as the lines that belong together with it"
	unclosed = "each needs its end, and a comma stands between two values"
)

// wordings say in a writer's words what the parser says in its own. The first whose
// message is part of the parser's counts.
var wordings = [...]struct{ message, text string }{
	{"mapping value is not allowed in this context", "a key and its value can't stand here: " + fit + "; a text with a colon in it needs quotes"},
	{"value is not allowed in this context", "this line does not fit to those above it: " + fit},
	{"block sequence entries are not allowed", "a list can't stand here: " + fit},
	{"non-map value is specified", "want a key and its value, with a space after the colon"},
	{"unexpected key name", "want a key and its value, with a space after the colon"},
	{"implicit line break", "want a key and its value, with a space after the colon"},
	{"unexpected map key", "this line does not fit to those above it: " + fit},
	{"invalid key for this map", "this line does not fit to those above it: " + fit},
	{"sequence end token ']'", "a list that begins with [ does not end: " + unclosed},
	{"',' or ']' must be specified", "a list that begins with [ does not end: " + unclosed},
	{"flow map", "a block that begins with { does not end: " + unclosed},
	{"',' or '}' must be specified", "a block that begins with { does not end: " + unclosed},
	{"corresponding to ']'", "a ] stands here without a ["},
	{"corresponding to '}'", "a } stands here without a {"},
	{"could not find map value", "the key has no value"},
	{"could not find value for mapping key", "the key has no value"},
	{"could not find end character of", "a text that begins with a quote does not end with one"},
	{"tab character", "a tab stands here: write spaces"},
	{"cannot start any token", "a text that begins like this needs quotes"},
	{"undefined alias name", "a text that begins with * needs quotes"},
	{"undefined anchor name", "a text that begins with & needs quotes"},
	{"reserved character", "a text that begins like this needs quotes"},
	{"directive", "a text that begins with % needs quotes"},
	{"unknown escape character", "in double quotes a \\ begins an escape: write \\\\, or take single quotes"},
}
