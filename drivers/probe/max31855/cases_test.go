package max31855

import (
	"encoding/hex"
	"slices"
	"testing"
	"testing/synctest"

	"soakrig/drivers"
	"soakrig/drivers/drivertest"
)

const caseCount = 49

// TestCases runs every case through the open driver.
func TestCases(t *testing.T) {
	for _, c := range drivertest.Cases(t, "testdata/cases.jsonl", caseCount) {
		t.Run(c.ID, func(t *testing.T) {
			if c.ID == "55-repeat" { // not a frame but a rate
				TestStale(t)
				return
			}
			synctest.Test(t, func(t *testing.T) { runCase(t, c) })
		})
	}
}

func runCase(t *testing.T, c drivertest.Case) {
	ports := drivertest.NewPorts()
	ports.AddSPI("SPI0.0").Attach(drivertest.Steady(c.Input))
	dev := drivertest.Open(t, &Driver, ports, c.Apply(source(vr1(""))))
	r := drivertest.Read(t, dev)[0]
	c.Says(t, r)
	if usable, said := c.Usable(); !said || (r.Faults == 0) != usable {
		t.Errorf("faults %v (%v); the case says %v", r.Faults, r.Cause, c.Expect)
	}
	wantTC, _ := c.Number("tc_c")
	wantCJ, _ := c.Number("cj_c")
	f := decode([4]byte(mustHex(t, c.Input)))
	if f.probeC() != wantTC || f.coldC() != wantCJ {
		t.Errorf("decoded %g and %g degC, want %g and %g", f.probeC(), f.coldC(), wantTC, wantCJ)
	}
	if r.Faults&drivers.NoChip != 0 {
		if r.Has != 0 {
			t.Errorf("codes from a chip that is not there: %+v", r)
		}
		return
	}
	if got := float64(r.Code) * probePer; got != wantTC {
		t.Errorf("probe code is worth %g degC, want %g", got, wantTC)
	}
	if got := float64(r.Cold) * coldPer; got != wantCJ {
		t.Errorf("cold junction code is worth %g degC, want %g", got, wantCJ)
	}
	words, _ := c.Expect["faults"].([]any)
	if words == nil {
		return // told by Says
	}
	for word, fault := range map[string]drivers.Faults{"oc": drivers.Open, "scg": drivers.ShortToGround, "scv": drivers.ShortToSupply} {
		if slices.Contains(words, any(word)) != (r.Faults&fault != 0) {
			t.Errorf("faults %v, the case lists %v", r.Faults, words)
		}
	}
	if slices.Contains(words, any("reserved")) && r.Faults != drivers.Corrupt {
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
	for _, c := range drivertest.Cases(f, "testdata/cases.jsonl", caseCount) {
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
