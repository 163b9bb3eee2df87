package metrics

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"soakrig/daemon/record"
)

// The page is what a registry with the collector would give, in the order of a registry.
func TestPageIsTheRegistrys(t *testing.T) {
	r := wide(t)
	want, err := r.m.all.Gather()
	if err != nil {
		t.Fatal(err)
	}
	g := &gatherer{m: r.m, rest: r.m.rest}
	for round := range 3 { // with fresh memory, and with used
		got, done, err := g.Gather()
		if err != nil {
			t.Fatal(err)
		}
		names := map[string]*dto.MetricFamily{}
		last := ""
		for _, f := range got {
			if f.GetName() <= last {
				t.Errorf("%s comes behind %s", f.GetName(), last)
			}
			last = f.GetName()
			names[last] = f
		}
		for _, f := range want {
			if ours := names[f.GetName()]; strings.HasPrefix(f.GetName(), "soakrig_") && f.GetName() != "soakrig_status_age_seconds" && ours.String() != f.String() {
				t.Errorf("round %d: %s\nis\n%s, want\n%s", round, f.GetName(), ours, f)
			}
		}
		done()
	}
}

// A snapshot that can't be shown costs its own series, not the page.
func TestPageAfterAPanic(t *testing.T) {
	r := newRig(t, nil)
	r.read(back, 9125, 0, 8000)
	good := r.m.f.channelInfo
	r.m.f.channelInfo, r.m.state.f.channelInfo = nil, nil
	code, body := get(t, r.m.Handler(), "/metrics", "")
	if code != 200 || !strings.Contains(body, "go_goroutines") || strings.Contains(body, "soakrig_") {
		t.Errorf("%d\n%s", code, body)
	}
	r.m.f.channelInfo, r.m.state.f.channelInfo = good, good
	code, body = get(t, r.m.Handler(), "/metrics", "")
	if code != 200 || !strings.Contains(body, probeTemp("vr1")+" 91.25\n") || !strings.Contains(body, `promhttp_metric_handler_errors_total{cause="gathering"} 1`) {
		t.Errorf("%d\n%s", code, body)
	}
}

// What is no number is no value.
func TestNoNumberIsNoValue(t *testing.T) {
	r := newRig(t, nil)
	var s scrape
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		s.add(r.m.f.runPeak, v)
	}
	if s.add(r.m.f.runPeak, 0); len(s.points) != 1 {
		t.Errorf("%d points, want the zero only", len(s.points))
	}
}

// No channel, one, two hundred; names that need escaping; every probe with a fault: the
// page can be read back, in both formats, and nothing stands for what is not there.
func TestOddRigs(t *testing.T) {
	names := []string{`a"b`, "line\nbreak", `back\slash`, "{x=\"y\"}", "größe µ°C", "温度", "🔥", "\xff\xfe", "tab\there", " ", "# HELP x y", "a,b", "NaN", "0"}
	for _, n := range []int{0, 1, len(names), 200} {
		for _, faulty := range []bool{false, true} {
			t.Run(fmt.Sprintf("%d channels, faults %v", n, faulty), func(t *testing.T) {
				r := newRig(t, nil)
				l := &record.Layout{ID: 90, Rig: "odd", Sources: []record.Source{{Name: "s\n\"", Driver: "d", EveryNS: 1e8}}}
				s := &record.Sample{Layout: 90}
				for i := range n {
					name := fmt.Sprint("c", i)
					if i < len(names) {
						name = names[i]
					}
					l.Channels = append(l.Channels, record.Channel{Name: name, Place: name, Kind: record.Temperature, Unit: "degC", Role: record.RoleProbe, Couple: "K", Converter: linear(name, 0.01)})
					l.Sources[0].Channels = append(l.Sources[0].Channels, i)
					raw := record.Raw{Has: record.HasCode, Code: int64(1000 + i)}
					if faulty {
						raw = record.Raw{Faults: record.Open | record.NoChip}
					}
					s.Raw = append(s.Raw, raw)
				}
				r.put(l)
				r.put(s)
				_, body := get(t, r.m.Handler(), "/metrics", "")
				parser := expfmt.NewTextParser(model.UTF8Validation)
				found, err := parser.TextToMetricFamilies(strings.NewReader(body))
				if err != nil {
					t.Fatalf("%v\n%s", err, body)
				}
				count := func(name string) int { return len(found[name].GetMetric()) }
				values, faults := n, 0
				if faulty {
					values, faults = 0, 2*n
				}
				for name, want := range map[string]int{
					"soakrig_temperature_celsius": values, "soakrig_temperature_max_32s_celsius": values, "soakrig_channel_up": n, "soakrig_channel_info": n,
					"soakrig_channel_fault": faults, "soakrig_channel_failures_total": n, "soakrig_channels_configured": min(n, 1),
				} {
					if got := count(name); got != want {
						t.Errorf("%d series of %s, want %d", got, name, want)
					}
				}
				for _, m := range found["soakrig_temperature_celsius"].GetMetric() {
					i := slices.IndexFunc(l.Channels, func(c record.Channel) bool {
						return strings.ToValidUTF8(c.Name, "\uFFFD") == m.GetLabel()[0].GetValue()
					})
					if i < 0 || math.Abs(m.GetGauge().GetValue()-float64(1000+i)*0.01) > 1e-9 {
						t.Errorf("%v is not what was read", m)
					}
				}
				code, body := get(t, r.m.Handler(), "/metrics", "application/openmetrics-text; version=1.0.0")
				if code != 200 || !strings.HasSuffix(body, "# EOF\n") || !utf8.ValidString(body) || strings.Contains(body, "NaN\n") {
					t.Errorf("OpenMetrics: %d, %d bytes", code, len(body))
				}
				if code, body := get(t, r.m.Handler(), "/", ""); code != 200 || !utf8.ValidString(body) {
					t.Errorf("landing page: %d", code)
				}
			})
		}
	}
}
