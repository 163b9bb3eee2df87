package max31855

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"os"
	"slices"
	"testing"
	"testing/synctest"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

// testCase is one line of testdata/cases.jsonl: a frame as it stood on the wire,
// what it means, and where that is said.
type testCase struct {
	ID     string
	Input  string
	Source string
	Expect struct {
		TC     float64  `json:"tc_c"`
		CJ     float64  `json:"cj_c"`
		Faults []string `json:"faults"`
		Usable bool     `json:"usable"`
		Reason string   `json:"reason"`
	}
}

func readCases(t testing.TB) []testCase {
	t.Helper()
	f, err := os.Open("testdata/cases.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []testCase
	for s := bufio.NewScanner(f); s.Scan(); {
		var c testCase
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		if c.Source == "" {
			t.Fatalf("case %s names no source", c.ID)
		}
		out = append(out, c)
	}
	return out
}

// TestCases runs every case through the open driver.
func TestCases(t *testing.T) {
	const want = 20
	cases := readCases(t)
	if len(cases) != want {
		t.Fatalf("%d cases, want %d", len(cases), want)
	}
	for _, c := range cases {
		t.Run(c.ID, func(t *testing.T) {
			if c.ID == "55-repeat" { // not a frame but a rate
				TestStale(t)
				return
			}
			synctest.Test(t, func(t *testing.T) { runCase(t, c) })
		})
	}
}

func runCase(t *testing.T, c testCase) {
	_, dev := bench(t, "", drivertest.Steady(c.Input))
	r := readOne(t, dev)
	if usable := r.Faults == 0; usable != c.Expect.Usable {
		t.Errorf("faults %v (%v); the case says usable %v: %s", r.Faults, r.Cause, c.Expect.Usable, c.Expect.Reason)
	}
	f := decode([4]byte(mustHex(t, c.Input)))
	if f.probeC() != c.Expect.TC || f.coldC() != c.Expect.CJ {
		t.Errorf("decoded %g and %g degC, want %g and %g", f.probeC(), f.coldC(), c.Expect.TC, c.Expect.CJ)
	}
	if r.Faults&drivers.NoChip != 0 {
		if r.Has != 0 {
			t.Errorf("codes from a chip that is not there: %+v", r)
		}
		return
	}
	if got := float64(r.Code) * probePer; got != c.Expect.TC {
		t.Errorf("probe code is worth %g degC, want %g", got, c.Expect.TC)
	}
	if got := float64(r.Cold) * coldPer; got != c.Expect.CJ {
		t.Errorf("cold junction code is worth %g degC, want %g", got, c.Expect.CJ)
	}
	for word, fault := range map[string]drivers.Faults{"oc": drivers.Open, "scg": drivers.ShortToGround, "scv": drivers.ShortToSupply} {
		if slices.Contains(c.Expect.Faults, word) != (r.Faults&fault != 0) {
			t.Errorf("faults %v, the case lists %v", r.Faults, c.Expect.Faults)
		}
	}
	if slices.Contains(c.Expect.Faults, "reserved") && r.Faults != drivers.Corrupt {
		t.Errorf("reserved bits set, got %v", r.Faults)
	}
}

func mustHex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// FuzzFrame: no frame panics, and none yields a value beside a fault that says the
// chip is not there.
func FuzzFrame(f *testing.F) {
	for _, c := range readCases(f) {
		if b, err := hex.DecodeString(c.Input); err == nil {
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		synctest.Test(t, func(t *testing.T) {
			_, dev := bench(t, "", drivertest.Steady(hex.EncodeToString(b)))
			r := readOne(t, dev) // checks the contract
			if len(b) < 4 {
				if r.Faults != drivers.BusError {
					t.Errorf("%d bytes gave %v", len(b), r.Faults)
				}
				return
			}
			if r.Faults != 0 {
				return
			}
			probe, cold := float64(r.Code)*probePer, float64(r.Cold)*coldPer
			if probe < -200 || probe > 1350 || cold < -40 || cold > 125 || b[3]&0x0F != 0 || b[1]&3 != 0 {
				t.Errorf("frame %X is good with %g and %g degC", b, probe, cold)
			}
		})
	})
}
