package cli

import (
	"context"
	"fmt"
	"math"
	"math/rand"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"soakrig/daemon/record"
)

// TestMain makes the test binary the command too, so that scripts run soak itself.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"soak": func() {
			os.Exit(Run(context.Background(), Env{Args: os.Args[1:], Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr}))
		},
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"record": cmdRecord, "exits": cmdExits, "rig": cmdRig, "breaking": cmdBreaking,
		},
	})
}

// cmdExits runs a command and compares its exit code: exits 3 soak show last; exits 0|5 takes either.
func cmdExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("use: exits CODE command...")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := "0"
	if err != nil {
		got = strings.TrimPrefix(err.Error(), "exit status ")
	}
	if !slices.Contains(strings.Split(args[0], "|"), got) {
		ts.Fatalf("exit code %s, want %s", got, args[0])
	}
}

// cmdRecord writes a simulated recording: record FILE [rise=K] [seed=N] [load=S]
// [stop=S] [lost=S] [throttle].
func cmdRecord(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("use: record FILE [rise=K] [seed=N] [load=S] [stop=S] [lost=S] [throttle=1]")
	}
	opts := map[string]float64{"rise": 68, "seed": 1, "load": 3600, "stop": 1e9, "lost": 1e9, "throttle": 0}
	for _, a := range args[1:] {
		name, value, _ := strings.Cut(a, "=")
		v, err := strconv.ParseFloat(value, 64)
		ts.Check(err)
		opts[name] = v
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(simulate(opts)), 0o644))
}

// simulate is a recording of a unit of four probes whose rises are sums of three
// lags, with noise: idle for 300 s, then a load, then 600 s of cooling.
func simulate(o map[string]float64) string {
	rnd := rand.New(rand.NewSource(int64(o["seed"])))
	var b strings.Builder
	b.WriteString("t,T1,T2,T3,T4,T8,P\n")
	end := 300 + o["load"]
	for t := 0.0; t < end+600; t++ {
		on := t >= 300 && t < min(end, o["stop"])
		watts := 62.0
		if on {
			watts += 230
		}
		if dip := math.Mod(t, 90); on && o["throttle"] != 0 && t > 1500 && dip < 12 {
			watts -= 80 - rnd.Float64()*20
		}
		fmt.Fprintf(&b, "%g", t)
		for i, share := range []float64{1, 0.97, 0.8, 0.7} {
			if i == 0 && t >= o["lost"] {
				b.WriteString(",OL")
				continue
			}
			rise := share * o["rise"] * (lags(t-300) - lags(t-min(end, o["stop"])))
			fmt.Fprintf(&b, ",%.2f", 23+rise+rnd.NormFloat64()*0.08)
		}
		fmt.Fprintf(&b, ",%.2f,%.1f\n", 23+rnd.NormFloat64()*0.05, watts+rnd.NormFloat64()*1.2)
	}
	return b.String()
}

func lags(t float64) float64 {
	if t <= 0 {
		return 0
	}
	return 0.35*(1-math.Exp(-t/60)) + 0.45*(1-math.Exp(-t/280)) + 0.2*(1-math.Exp(-t/1300))
}

// TestResultKeysAreDocumented holds soak evaluate --keys to record.Result.
func TestResultKeysAreDocumented(t *testing.T) {
	documented := map[string]bool{}
	for _, k := range resultKeys() {
		if documented[k.path] || k.text == "" {
			t.Errorf("%s is documented twice or with nothing", k.path)
		}
		documented[k.path] = true
	}
	for _, path := range jsonPaths(reflect.TypeFor[record.Result](), "") {
		if !documented[path] {
			t.Errorf("%s is not documented", path)
		}
		delete(documented, path)
	}
	for path := range documented {
		t.Errorf("%s is documented but no key of a result", path)
	}
}

func jsonPaths(t reflect.Type, prefix string) []string {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var paths []string
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		paths = append(paths, prefix+name)
		paths = append(paths, jsonPaths(t.Field(i).Type, prefix+name+".")...)
	}
	return paths
}
