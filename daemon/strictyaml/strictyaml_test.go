package strictyaml

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

type inner struct {
	A string  `yaml:"a"`
	B float64 `yaml:"b"`
}

func (i *inner) FromScalar(text string) error { i.A = text; return nil }

type outer struct {
	Name   string                 `yaml:"name"`
	On     bool                   `yaml:"on"`
	N      int                    `yaml:"n"`
	P      *float64               `yaml:"p"`
	Length Seconds                `yaml:"length"`
	In     inner                  `yaml:"in"`
	List   []inner                `yaml:"list"`
	Table  Table[inner]           `yaml:"table"`
	Either Listed[inner, Numbers] `yaml:"either"`
	Words  Words                  `yaml:"words"`
	Map    map[string]float64     `yaml:"map"`
	Every  time.Duration          `yaml:"every"`
	Pair   *[2]float64            `yaml:"pair"`
	Addr   uint8                  `yaml:"addr"`
	Any    map[string]any         `yaml:"any,omitempty"`
	File   string                 `yaml:"-"`
	Pipe   chan int               `yaml:"pipe"`
	Deep   map[string]*inner      `yaml:"deep"`
}

func decode(text string) (outer, error) {
	var o outer
	d, err := Parse("f.yaml", []byte(text))
	if err != nil {
		return o, err
	}
	d.Decode(&o)
	return o, d.Err()
}

func TestDecode(t *testing.T) {
	o, err := decode("\ufeffname: x\non: true\nn: 3\np: 1.5\nlength: 1h30min\nin: short\nlist: [{a: q, b: 2}, w]\n" +
		"table: {z: {a: 1}, \"y y\": {a: 2}}\neither: {k: 3, l: [1, 2]}\nwords: {OL: open}\nmap: {u: 1e3}\n")
	if err != nil {
		t.Fatal(err)
	}
	if o.Name != "x" || !o.On || o.N != 3 || *o.P != 1.5 || o.Length != 5400 || o.In.A != "short" {
		t.Errorf("scalars: %+v", o)
	}
	if len(o.List) != 2 || o.List[0].B != 2 || o.List[1].A != "w" {
		t.Errorf("list: %+v", o.List)
	}
	if strings.Join(o.Table.Names, ",") != "z,y y" || o.Table.Values["y y"].A != "2" {
		t.Errorf("table: %+v", o.Table)
	}
	if len(*o.Either.Short.Values["l"]) != 2 || (*o.Either.Short.Values["k"])[0] != 3 {
		t.Errorf("short form: %+v", o.Either)
	}
	if o.Words.Values["OL"] != "open" || o.Map["u"] != 1000 {
		t.Errorf("words %+v, map %v", o.Words, o.Map)
	}
	o, err = decode("every: 1.5d\npair: [1, 2.5]\naddr: 0x18\nany: {a: [1, {b: true}]}\nin: &x {a: anchored}\n")
	if err != nil || o.Every != 36*time.Hour || *o.Pair != [2]float64{1, 2.5} || o.Addr != 24 ||
		fmt.Sprint(o.Any) != "map[a:[1 map[b:true]]]" || o.In.A != "anchored" {
		t.Errorf("further kinds: %+v, %v", o, err)
	}
	if o, err = decode("either: [{a: x}]\nwords: [a, b]"); err != nil || len(o.Either.List) != 1 || len(o.Words.Names) != 2 {
		t.Errorf("list forms: %+v, %v", o, err)
	}
}

// TestProblems wants each thing that is wrong once, where it stands.
func TestProblems(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "f.yaml: the file is empty"},
		{"a: [", "f.yaml:1:4: this is not YAML: a list that begins with [ does not end: each needs its end, and a comma stands between two values"},
		{"name: a\n---\nname: b\n", "f.yaml: there is more than one document in the file: keep one"},
		{"nam: 1", `f.yaml:1:1: nam: unknown key; did you mean "name"? (known: addr, any, deep, either, every, in, length, list, map, n, name, on, p, pair, pipe, table, words)`},
		{"name: 1\nname: 2", "f.yaml:2:1: name: is given twice: keep one"},
		{"name:", "f.yaml:1:7: name: has no value: write one or remove the key"},
		{"n: 1.5\non: 7", "f.yaml:1:4: n: want a whole number, got \"1.5\"\nf.yaml:2:5: on: want true or false, got \"7\""},
		{"p: .nan", `f.yaml:1:4: p: want a number, got ".nan"`},
		{"length: 60", "f.yaml:1:9: length: 60 of what? write the unit, such as 60s, 60min or 60h"},
		{"list: {a: 1}", "f.yaml:1:7: list: want a list such as [a, b], got a block of keys"},
		{"in: [1]", "f.yaml:1:5: in: want a block of keys (a, b), got a list"},
		{"in: {xyz: 1}", "f.yaml:1:6: in.xyz: unknown key (known: a, b)"},
		{"name: {a: 1}", "f.yaml:1:7: name: want text, got a block of keys"},
		{"-: 1", `f.yaml:1:1: -: unknown key (known: addr, any, deep, either, every, in, length, list, map, n, name, on, p, pair, pipe, table, words)`},
		{"every: 5", "f.yaml:1:8: every: 5 of what? write the unit, such as 5s, 5min or 5h"},
		{"every: -5s", `f.yaml:1:8: every: want a length of time such as 200ms, 90s, 60min, 1h30min or 60d, got "-5s"`},
		{"every: 1e99d", `f.yaml:1:8: every: want a length of time such as 200ms, 90s, 60min, 1h30min or 60d, got "1e99d"`},
		{"every: 99999999d", `f.yaml:1:8: every: "99999999d" is more than a hundred years`},
		{"pair: [1]", "f.yaml:1:7: pair: want a list of 2 values, got 1"},
		{"pair: 1", `f.yaml:1:7: pair: want a list of 2 values, got "1"`},
		{"addr: 0x1ff", `f.yaml:1:7: addr: want a whole number, not negative, got "0x1ff"`},
		{"addr: -1", `f.yaml:1:7: addr: want a whole number, not negative, got "-1"`},
		{"addr: 010", `f.yaml:1:7: addr: want a whole number, not negative, got "010": leave the leading zero out, which some readers take for octal`},
		{"n: -07", `f.yaml:1:4: n: want a whole number, got "-07": leave the leading zero out, which some readers take for octal`},
		{"p: 0105", `f.yaml:1:4: p: want a number, got "0105": leave the leading zero out, which some readers take for octal`},
		{"p: 85,5", `f.yaml:1:4: p: want a number, got "85,5": the decimal sign is a point, write 85.5`},
		{"p: 105 °C", `f.yaml:1:4: p: want a number, got "105 °C": write the number alone, in the unit of the key`},
		{"p: 221 °F", `f.yaml:1:4: p: want a number, got "221 °F": write the number alone, and degrees Fahrenheit as degrees Celsius`},
		{"p: 221F", `f.yaml:1:4: p: want a number, got "221F": write the number alone, and degrees Fahrenheit as degrees Celsius`},
		{"on: yes", `f.yaml:1:5: on: want true or false, got "yes"`},
		{"on: 1", `f.yaml:1:5: on: want true or false, got "1"`},
		{"either: nan", `f.yaml:1:9: either: want a block with one key for each name, got "nan"`},
		{"either: {k: nan}", `f.yaml:1:13: either.k: want a number, got "nan"`},
		{"either: {k: [1, +inf]}", `f.yaml:1:17: either.k[1]: want a number, got "+inf"`},
		{"name: &x a\nin: {a: *x}", "f.yaml:2:9: in.a: is a reference (*x): write the value itself"},
		{"list: &x [{a: q}]\ntable: {z: *x}", "f.yaml:2:12: table.z: is a reference (*x): write the value itself"},
		{"name: x\n<<: {n: 3}", "f.yaml:2:1: <<: blocks are not merged here: write the keys themselves"},
		{"deep: {x:, y: {a: 1}}", "f.yaml:1:10: deep.x: has no value: write one or remove the key"},
		{"pipe: 3", "f.yaml:1:7: pipe: can't be written in a file"},
		{"list:\n  - {b: x}", `f.yaml:2:9: list[0].b: want a number, got "x"`},
	} {
		_, err := decode(c.text)
		if err == nil {
			t.Errorf("%q was accepted", c.text)
			continue
		}
		if got := err.Error(); got != c.want {
			t.Errorf("%q:\n got %s\nwant %s", c.text, got, c.want)
		}
	}
}

func TestAddfFindsTheNearestKey(t *testing.T) {
	d, err := Parse("f.yaml", []byte("name: a\nin:\n  a: 1\n"))
	if err != nil {
		t.Fatal(err)
	}
	var o outer
	d.Decode(&o)
	d.Addf("in.b", "is missing")
	d.Addf("in.a", "is wrong")
	d.Addf("list", "is missing")
	want := "f.yaml:1:1: list: is missing\nf.yaml:2:1: in.b: is missing\nf.yaml:3:3: in.a: is wrong"
	if got := d.Err().Error(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if !d.Has("in.a") || d.Has("in.b") {
		t.Error("Has is wrong")
	}
}

func TestParseSeconds(t *testing.T) {
	for text, want := range map[string]float64{"0": 0, "90s": 90, "60min": 3600, "60m": 3600, "1h30min": 5400, "1h 30min": 5400, "2.5h": 9000, "200ms": 0.2, "1d": 86400} {
		if got, err := ParseSeconds(text); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "x", "5", "-5s", "5 parsec", "1h5"} {
		if got, err := ParseSeconds(text); err == nil {
			t.Errorf("%q gave %v", text, got)
		}
	}
}

// TestRest hands keys on with their places, as often as they are asked for.
func TestRest(t *testing.T) {
	var o struct {
		Name string `yaml:"name"`
		More Rest
	}
	d, err := Parse("f.yaml", []byte("name: x\nletter: K\n\"quoted\": 2\n"))
	if err != nil {
		t.Fatal(err)
	}
	d.Decode(&o)
	if err := d.Err(); err != nil || o.Name != "x" {
		t.Fatalf("%+v, %v", o, err)
	}
	opts := struct {
		Letter string `yaml:"letter"`
		Quoted int    `yaml:"quoted"`
		Absent int    `yaml:"absent"`
	}{Absent: 7}
	for range 2 {
		if err := o.More.Decode(&opts); err != nil || opts.Letter != "K" || opts.Quoted != 2 || opts.Absent != 7 {
			t.Errorf("%+v, %v", opts, err)
		}
	}
	if got := strings.Join(o.More.Keys(), ","); got != "letter,quoted" {
		t.Errorf("keys %s", got)
	}
	if got := strings.Join(o.More.Texts(), ","); got != `letter: K,"quoted": 2` {
		t.Errorf("texts %s", got)
	}
	var other struct {
		Leter string `yaml:"leter"`
	}
	want := "f.yaml:2:1: letter: unknown key; did you mean \"leter\"? (known: leter)\nf.yaml:3:1: quoted: unknown key (known: leter)"
	if err := o.More.Decode(&other); err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if got := d.Problem("quoted", "is odd").Error(); got != "f.yaml:3:1: quoted: is odd" {
		t.Errorf("got %s", got)
	}
	if r := o.More.Without("letter"); r.Has("letter") || !r.Has("quoted") || !o.More.Has("letter") {
		t.Errorf("without: %v, before: %v", r.Keys(), o.More.Keys())
	}
	if err := (Rest{}).Decode(&other); err != nil {
		t.Errorf("no keys: %v", err)
	}
}

// Shared is a part of the options that several drivers have.
type Shared struct {
	MaxStep float64       `yaml:"max_step"`
	Gap     time.Duration `yaml:"gap"`
	Name    string        `yaml:"name"`
	Source  string        `yaml:"-"`
}

// TestInlined: the keys of an inlined struct are keys of the block, at their place and
// with their default, and count as known. The block's own name wins.
func TestInlined(t *testing.T) {
	type options struct {
		Shared `yaml:",inline"`
		Name   string `yaml:"name"`
		Rate   int    `yaml:"rate"`
	}
	type block struct {
		Kind string `yaml:"kind"`
		Rest Rest
	}
	decode := func(text string, v any) error {
		d, err := Parse("f.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		d.Decode(v)
		return d.Err()
	}
	var b block
	if err := decode("kind: x\nname: n\nmax_step: 40\ngap: 250ms\nrate: 8\n", &b); err != nil {
		t.Fatal(err)
	}
	o := options{Shared: Shared{MaxStep: 5, Source: "kept"}}
	if err := b.Rest.Decode(&o); err != nil {
		t.Fatal(err)
	}
	if o.MaxStep != 40 || o.Gap != 250*time.Millisecond || o.Rate != 8 || o.Name != "n" || o.Shared.Name != "" || o.Source != "kept" {
		t.Errorf("%+v", o)
	}
	o = options{Shared: Shared{MaxStep: 5}}
	if err := decode("rate: 8", &o); err != nil || o.MaxStep != 5 {
		t.Errorf("default: %+v, %v", o, err)
	}
	want := "f.yaml:1:11: max_step: want a number, got \"high\"\nf.yaml:2:1: max_stop: unknown key; did you mean \"max_step\"? (known: gap, max_step, name, rate)"
	if err := decode("max_step: high\nmax_stop: 1", &o); err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}

func TestParseDuration(t *testing.T) {
	for text, want := range map[string]time.Duration{"200ms": 200 * time.Millisecond, "60d": 60 * 24 * time.Hour, "1.5d": 36 * time.Hour,
		"90s": 90 * time.Second, "1h30m": 90 * time.Minute, "50us": 50 * time.Microsecond, "0": 0, "0.1s": 100 * time.Millisecond} {
		if got, err := ParseDuration(text); err != nil || got != want {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "fast", "-3d", "10", "1e99d", "99999999d", "nan", "infs"} {
		if got, err := ParseDuration(text); err == nil {
			t.Errorf("%q gave %v", text, got)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("name: x\nlist: [{a: q}]\n")
	f.Add("table: &a {b: *a}")
	f.Fuzz(func(_ *testing.T, text string) { _, _ = decode(text) })
}

// TestNotYAML words for a writer what is no YAML, and no text.
func TestNotYAML(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"in:\n\ta: 1\n", "2:1: this is not YAML: a tab stands in the indentation: indent with spaces only"},
		{"list:\n  - a: x\n\u00a0   b: 1\n", "3:1: b: a no-break space stands before it: indent with spaces only"},
		{"list:\n  - a: x\n    \u00a0b: 1\n   c: 2\n", "no-break space stands in the indentation: indent with spaces only"},
		{"in:\n  a: x\n   b: 1\n", "a key and its value can't stand here: indent it as far as the lines that belong together with it"},
		{"in:\n  a: x\n b: 1\n", "3:2: this is not YAML: this line does not fit to those above it"},
		{"name: x\nn:3\non: true\n", "want a key and its value, with a space after the colon"},
		{"name: a: b\n", "a text with a colon in it needs quotes"},
		{"name: \"a\n", "1:7: this is not YAML: a text that begins with a quote does not end with one"},
		{"in: {a: x, b: 1\non: true\n", "a block that begins with { does not end"},
		{"name: @a\n", "a text that begins like this needs quotes"},
		{"name: %a\n", "a text that begins with % needs quotes"},
		{"\xff\xfen\x00", "f.yaml: the file is in UTF-16: save it as UTF-8"},
		{"name: x\nin: {a: r\xfcck}\n", "f.yaml:2:10: the byte 0xFC is not UTF-8: save the file as UTF-8"},
		{"name: x\x00\n", "f.yaml:1:8: the byte 0x00 is no text"},
		{strings.Repeat("#", 1<<20+1), "the file has 1.0 MB, more than the 1 MB that are read"},
	} {
		_, err := decode(c.text)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: %.300v, want %s", c.text, err, c.want)
		}
	}
	many := ""
	for i := range 300 {
		many += fmt.Sprintf("k%d: 1\n", i)
	}
	if _, err := decode(many); err == nil || !strings.HasSuffix(err.Error(), "f.yaml: and 200 problems more") {
		t.Errorf("many problems: %v", err)
	}
	if o, err := decode("name: x\r\nn: 3\r\n"); err != nil || o.Name != "x" || o.N != 3 {
		t.Errorf("CRLF: %+v, %v", o, err)
	}
	if o, err := decode("name: x\rn: 3\r"); err != nil || o.Name != "x" || o.N != 3 {
		t.Errorf("CR: %+v, %v", o, err)
	}
	if _, err := decode("deep: {x: {a: q, c: 1}}\nlist: [{a: q}, {c: 2}]\n"); err == nil {
		t.Error("unknown keys deep inside")
	}
}

// TestProblemBelowWhatIsKnown places a problem as deep as the file goes.
func TestProblemBelowWhatIsKnown(t *testing.T) {
	var o struct{ More Rest }
	d, err := Parse("f.yaml", []byte("more:\n  deep:\n    - {a: 1}\n    - a: 2\n      b: 3\n  single:\n    key: 1\n"))
	if err != nil {
		t.Fatal(err)
	}
	d.Decode(&o)
	for key, want := range map[string]string{
		"more.deep[1].b":      "f.yaml:5:7: ",
		"more.deep[0].z":      "f.yaml:3:8: ",
		"more.deep[7]":        "f.yaml:2:3: ",
		"more.single.key":     "f.yaml:7:5: ",
		"more.single.key.sub": "f.yaml:7:5: ",
		"else":                "f.yaml:1:1: ",
	} {
		if got := d.Problem(key, "x").Error(); !strings.HasPrefix(got, want) {
			t.Errorf("%s: %s, want %s", key, got, want)
		}
	}
	d.Addf("more.deep[1]", "one")
	d.Add(Problems{d.Problem("more.deep", "follows"), d.Problem("more.dee", "two"), d.Problem("more.deep[1].b", "three")})
	if got := d.Err().Error(); strings.Contains(got, "follows") || !strings.Contains(got, "two") || !strings.Contains(got, "three") {
		t.Errorf("added: %s", got)
	}
}
