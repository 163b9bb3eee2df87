package daemon

import (
	"strings"
	"testing"

	"soakrig/daemon/record"
)

// TestCheckShowsMasks: a check says of a channel which faults it leaves out.
func TestCheckShowsMasks(t *testing.T) {
	ch := record.Channel{Name: "vr1", Couple: "K", Converter: record.Converter{Law: record.LawFixedSlope, SlopeVoltsPerK: 41.276e-6, Masks: []string{"short_to_ground"}}}
	if got := why(&ch); !strings.Contains(got, "MASKED by the configuration: short_to_ground") {
		t.Error(got)
	}
	ch.Converter.Masks = nil
	if got := why(&ch); strings.Contains(got, "MASKED") {
		t.Error(got)
	}
}
