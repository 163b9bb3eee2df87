package remotewrite

import (
	"maps"
	"math"
	"testing"

	"pgregory.net/rapid"

	"soakrig/daemon/record"
)

// Both encodings say the same, in order of time within a series, whatever the labels
// and values are.
func TestEncodings(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var all []sample
		want := map[point]uint64{}
		for i := range rapid.IntRange(1, 5).Draw(rt, "series") {
			ch := &record.Channel{
				Name: string(rune('a'+i)) + rapid.String().Draw(rt, "name"), Role: rapid.SampledFrom(record.Roles()).Draw(rt, "role"),
				Kind: rapid.SampledFrom(append(record.Kinds(), "strange")).Draw(rt, "kind"),
			}
			s := newSeries(ch, "bench-2", map[string]string{"room": rapid.String().Draw(rt, "room")})
			for range rapid.IntRange(0, 20).Draw(rt, "samples") {
				all = append(all, sample{s, rapid.Int64Range(-1e12, 1e13).Draw(rt, "ms"), rapid.Float64().Draw(rt, "value")})
			}
			if rapid.Bool().Draw(rt, "ends") {
				all = append(all, sample{s, 5e12 + 1, math.Float64frombits(staleBits)})
			}
		}
		one, two := request{}, request{}
		if err := decode1(encode1(nil, all), &one); err != nil {
			rt.Fatal(err)
		}
		if err := decode2(encode2(nil, all), &two); err != nil {
			rt.Fatal(err)
		}
		for i, p := range one.points {
			if i > 0 && one.points[i-1].Series == p.Series && one.points[i-1].MS > p.MS {
				rt.Fatalf("%v comes after %v", p, one.points[i-1])
			}
			if p != two.points[i] || one.values[i] != two.values[i] {
				rt.Fatalf("protocol 1 says %v, protocol 2 %v", p, two.points[i])
			}
		}
		for i := range all {
			want[point{Series: one.points[i].Series, MS: all[i].ms}] = math.Float64bits(all[i].value)
		}
		got := map[point]uint64{}
		for i, p := range one.points {
			got[p] = one.values[i]
		}
		if len(one.points) != len(all) || !maps.Equal(want, got) {
			rt.Fatalf("%d samples became %d", len(all), len(one.points))
		}
	})
}

func TestNamesOfSeries(t *testing.T) {
	for kind, want := range map[record.Kind]string{
		record.Temperature: "soakrig_sample_temperature_celsius", record.Power: "soakrig_sample_power_watts", record.Voltage: "soakrig_sample_voltage_volts",
		record.Current: "soakrig_sample_current_amperes", record.Frequency: "soakrig_sample_frequency_hertz", record.Energy: "soakrig_sample_energy_joules_total",
		record.Other: "soakrig_sample_other_reading", "strange": "soakrig_sample_other_reading",
	} {
		s := newSeries(&record.Channel{Name: "c", Kind: kind, Role: record.RoleInfo}, "r", map[string]string{"rig": "other"})
		if s.labels[0].value != want || s.labels[2] != (label{"rig", "other"}) || s.counter != (kind == record.Energy) {
			t.Errorf("%s: %v", kind, s.labels)
		}
	}
}
