package daemon

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"soakrig/drivers/all"
)

// A simulated rig that is faster than time sends samples from the future; check says so
// and what to do.
func TestRemoteCautions(t *testing.T) {
	ago := func(d time.Duration) string {
		return ", start: " + time.Now().Add(-d).UTC().Format(time.RFC3339)
	}
	const lab = `remote_write: [{name: lab, url: "http://127.0.0.1:9090/api/v1/write", window: 3h}]`
	const anew = "begins anew"
	for name, c := range map[string]struct {
		simulated, remote string
		want              []string
	}{
		"no receiver":        {"simulated: {speed: 100}", "", nil},
		"as fast as time":    {"simulated: {}", lab, nil},
		"slower":             {"simulated: {speed: 0.5}", lab, nil},
		"fast":               {"simulated: {speed: 61}", lab, []string{"61 times as fast as time", "from the future after 10s", anew}},
		"fast from the past": {"simulated: {speed: 13" + ago(110*time.Minute) + "}", lab, []string{"from the future after 10m", anew}},
		"from the future":    {"simulated: {speed: 2" + ago(-time.Hour) + "}", lab, []string{"from the future from the beginning", anew}},
		"outside the window": {"simulated: {" + strings.TrimPrefix(ago(5*time.Hour), ", ") + "}", lab, []string{"further in the past than receiver lab takes samples (window 3h0m0s)", anew}},
	} {
		t.Run(name, func(t *testing.T) {
			text := fmt.Sprintf("rig: t\njournal: {dir: %q}\n%s\n%s\nsources:\n  - {name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}\n", t.TempDir(), c.simulated, c.remote)
			cfg, err := ParseConfig("t.yaml", []byte(text), all.Drivers())
			if err != nil {
				t.Fatal(err)
			}
			r, err := Check(t.Context(), cfg, all.Drivers())
			if err != nil {
				t.Fatal(err)
			}
			got := strings.Join(r.Cautions, "\n")
			if n := strings.Count(got, "remote_write:"); n != 0 && len(c.want) == 0 || len(c.want) > 0 && n < 1 {
				t.Errorf("%d cautions:\n%s", n, got)
			}
			for _, w := range c.want {
				if !strings.Contains(got, w) {
					t.Errorf("no %q in:\n%s", w, got)
				}
			}
		})
	}
}
