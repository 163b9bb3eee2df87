package runs

import (
	"testing"

	"soakrig/daemon/record"
)

// TestMasksAreSettings: a result says which faults a channel leaves out, and two runs
// that differ in it differ in a setting.
func TestMasksAreSettings(t *testing.T) {
	couple := record.Converter{Model: "MAX31855K", Law: record.LawFixedSlope, PerCode: 0.25, ColdPerCode: 0.0625, SlopeVoltsPerK: 41.276e-6}
	grounded := couple
	grounded.Masks = []string{"short_to_ground"}
	l := &record.Layout{ID: 1,
		Channels: []record.Channel{
			{Name: "vr1", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Converter: grounded},
			{Name: "vr2", Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Converter: couple},
		},
		Sources: []record.Source{{Name: "back", Driver: "max31855", EveryNS: 5e8, Channels: []int{0, 1}}},
	}
	f, err := newFeed(record.RunStart{Run: "1"}, l)
	if err != nil {
		t.Fatal(err)
	}
	set := f.input("bench", record.Stamp{}).Settings
	if set["masked vr1"] != "short_to_ground" {
		t.Errorf("settings %v", set)
	}
	if _, ok := set["masked vr2"]; ok {
		t.Errorf("vr2 masks nothing: %v", set)
	}
}
