package daemon

import (
	"context"
	"math"
	"os"
	"strings"
	"testing"

	"soakrig/daemon/record"
	"soakrig/drivers/all"
	"soakrig/drivers/its90"
)

// checkMixed checks the example rig of many converters, changed by edit.
func checkMixed(t *testing.T, edit func(string) string) CheckReport {
	t.Helper()
	text, err := os.ReadFile("../deploy/rigs/mixed-simulated.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := ParseConfig("mixed-simulated.yaml", []byte(edit(string(text))), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	r, err := Check(context.Background(), cfg, all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func channelOf(t *testing.T, r CheckReport, name string) ChannelCheck {
	t.Helper()
	for _, c := range r.Channels {
		if c.Channel == name {
			return c
		}
	}
	t.Fatalf("no channel %s", name)
	return ChannelCheck{}
}

// TestCheckMixedRig: of every converter a check tells EMF, cold junction, the chip's
// own number where it has one, value, correction, U, and why.
func TestCheckMixedRig(t *testing.T) {
	r := checkMixed(t, func(s string) string { return s })
	if !r.OK || !r.Simulated || len(r.Channels) != 8 {
		t.Fatalf("ok %v, %d channels, problems %q", r.OK, len(r.Channels), r.Problems)
	}
	for _, want := range []struct {
		channel          string
		chip, correction bool
		loU, hiU         float64
		why              string
	}{
		// U of a MAX31855 is dominated by its +-2 K twice, of the others by the wire and
		// the mounting: analysis of each in the coverage tests.
		{"vr1", true, true, 3.6, 4.2, "fixed slope of 41.276 uV/K undone"},
		{"vr2", true, false, 2.2, 2.6, "linearised by the chip"},
		{"vr3", false, true, 1.5, 1.9, "EMF of the converter"},
		{"vr4", false, false, 2.2, 2.6, "EMF of the converter"},
		{"vr5", false, false, 2.2, 2.6, "cold junction by channel block"},
		{"vr6", true, false, 3.2, 3.7, "linearised by the chip"},
	} {
		c := channelOf(t, r, want.channel)
		if c.Fault != "ok" || c.Value == nil || c.EMFMilliV == nil || c.ColdC == nil || c.Expanded == nil {
			t.Errorf("%s: %+v", want.channel, c)
			continue
		}
		if (c.ChipC != nil) != want.chip || (c.CorrectionK != nil) != want.correction {
			t.Errorf("%s: chip %v, correction %v", want.channel, c.ChipC, c.CorrectionK)
		}
		if *c.Expanded < want.loU || *c.Expanded > want.hiU {
			t.Errorf("%s: U = %.2f K, want %g to %g", want.channel, *c.Expanded, want.loU, want.hiU)
		}
		for _, text := range []string{want.why, "U comes mostly from"} {
			if !strings.Contains(c.Why, text) {
				t.Errorf("%s: why is %q, want %q in it", want.channel, c.Why, text)
			}
		}
		consistent(t, c)
	}
	block := channelOf(t, r, "block")
	if vr5 := channelOf(t, r, "vr5"); block.Value == nil || *vr5.ColdC != *block.Value {
		t.Errorf("the junction of vr5 is %v, the block is at %v", *vr5.ColdC, block.Value)
	}
	if c := channelOf(t, r, "vr1"); math.Abs(*c.CorrectionK-0.2) > 1e-9 {
		t.Errorf("correction of vr1: %g K", *c.CorrectionK)
	}
}

// consistent wants value, EMF and cold junction of a check to say the same, to within
// the step of the chip's own number and the calibration; and U to be its budget's.
func consistent(t *testing.T, c ChannelCheck) {
	t.Helper()
	cold, err := its90.K.EMFVolts(*c.ColdC)
	if err != nil {
		t.Fatal(err)
	}
	valueC, err := its90.K.TempC(cold + *c.EMFMilliV/1e3)
	if err != nil {
		t.Fatal(err)
	}
	if c.CorrectionK != nil {
		valueC += *c.CorrectionK
	}
	if math.Abs(valueC-*c.Value) > 1e-6 {
		t.Errorf("%s: value %.6f, EMF and cold junction say %.6f", c.Channel, *c.Value, valueC)
	}
	sum := 0.0
	for _, l := range c.Budget {
		sum += l.StandardK * l.StandardK
	}
	if U := 2 * math.Sqrt(sum); math.Abs(U/(*c.Expanded)-1) > 0.01 {
		t.Errorf("%s: U = %.3f K, its budget %.3f", c.Channel, *c.Expanded, U)
	}
}

// TestCheckWarns: what is worth a word about calibrations reaches the report.
func TestCheckWarns(t *testing.T) {
	r := checkMixed(t, func(s string) string {
		return strings.Replace(strings.Replace(s, "valid_until: 2027-01-02", "valid_until: 2020-01-02", 1), "{reference: 0, correction: 0.1}", "{reference: 60, correction: 0.1}", 1)
	})
	for channel, want := range map[string]string{"vr1": "was valid until 2020-01-02", "vr3": "outside the table", "vr2": ""} {
		got := strings.Join(channelOf(t, r, channel).Warnings, "; ")
		if (want == "") != (got == "") || !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", channel, got, want)
		}
	}
}

// TestCheckFaultKeepsEvidence: an open lead has no value and no budget.
func TestCheckFaultKeepsEvidence(t *testing.T) {
	r := checkMixed(t, func(s string) string {
		return strings.Replace(s, "  seed: 3\n", "  seed: 3\n  faults: [{kind: open, chip: SPI0.0}]\n", 1)
	})
	c := channelOf(t, r, "vr1")
	if r.OK || c.Value != nil || c.Expanded != nil || c.Budget != nil || c.ColdC == nil || !strings.Contains(c.Fault, "open") {
		t.Errorf("ok %v: %+v", r.OK, c)
	}
}

func TestLargest(t *testing.T) {
	lines := []record.BudgetLine{{Name: "a", Share: 0.1}, {Name: "b", Share: 0.5}, {Name: "c", Share: 0.3}, {Name: "d", Share: 0.1}}
	if got := largest(lines); got != "b / c / a" || lines[0].Name != "a" {
		t.Errorf("%q", got)
	}
	if got := largest(lines[:1]) + largest(nil); got != "a" {
		t.Errorf("%q", got)
	}
}
