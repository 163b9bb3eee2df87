// Tests of what a lab's monitoring is given: rules, examples and dashboards, checked
// with promtool and against a real Prometheus that scrapes a rig's page. The folder
// holds no code.
package monitoring

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
)

// page is a rig's page in the middle of a run with a probe open; the tests of the page
// keep it equal to what soakd serves.
const page = "../../daemon/internal/metrics/testdata/page.txt"

// written is what a daemon with a receiver adds to its page.
const written = `# TYPE soakrig_remote_write_up gauge
soakrig_remote_write_up{receiver="lab"} 1
# TYPE soakrig_remote_write_backlog_entries gauge
soakrig_remote_write_backlog_entries{receiver="lab"} 0
# TYPE soakrig_remote_write_behind_entries gauge
soakrig_remote_write_behind_entries{receiver="lab"} 3
# TYPE soakrig_remote_write_dropped_samples_total counter
soakrig_remote_write_dropped_samples_total{reason="older_than_window",receiver="lab"} 0
# TYPE promhttp_metric_handler_errors_total counter
promhttp_metric_handler_errors_total{cause="gathering"} 0
`

// tool finds a program, or skips; where CI is set it must be there.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing: apt-get install prometheus curl", name)
		}
		t.Skipf("%s is missing (apt-get install prometheus curl): nothing was checked with it", name)
	}
	return path
}

func TestPromtool(t *testing.T) {
	promtool := tool(t, "promtool")
	for _, args := range [][]string{
		{"check", "rules", "recording.yml", "alerts.yml"},
		{"test", "rules", "alerts_test.yml"},
		{"check", "config", "--syntax-only", "prometheus.yml"},
		{"check", "web-config", webConfig(t)},
	} {
		if out, err := exec.Command(promtool, args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// webConfig copies web.yml to where its certificate is.
func webConfig(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	text, err := os.ReadFile("web.yml")
	if err != nil {
		t.Fatal(err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	one := &x509.Certificate{ // its own authority
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "lab"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	cert, err := x509.CreateCertificate(rand.Reader, one, one, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		"web.yml": text, "tls/rig.pem": pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert}),
		"tls/rig.key": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
	} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "web.yml")
}

// rule is one recording rule or alert.
type rule struct {
	Record, Alert, Expr string
	Labels, Annotations map[string]string
}

func rules(t *testing.T, file string) (all []rule) {
	t.Helper()
	var doc struct{ Groups []struct{ Rules []rule } }
	readYAML(t, file, &doc)
	for _, g := range doc.Groups {
		all = append(all, g.Rules...)
	}
	if len(all) == 0 {
		t.Fatalf("%s has no rules", file)
	}
	return all
}

func readYAML(t *testing.T, file string, to any) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(text, to); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
}

// Every alert is shown to fire, and to be silent on a healthy rig, and every recording
// rule to give its number.
func TestEveryAlertIsTested(t *testing.T) {
	var doc struct {
		Tests []struct {
			Alerts []struct {
				Name  string `yaml:"alertname"`
				Fires []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
			Exprs []struct{ Expr string } `yaml:"promql_expr_test"`
		}
	}
	readYAML(t, "alerts_test.yml", &doc)
	fires, silent, recorded := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for i, test := range doc.Tests {
		for _, e := range test.Exprs {
			recorded[e.Expr] = true
		}
		for _, a := range test.Alerts {
			fires[a.Name] = fires[a.Name] || len(a.Fires) > 0
			silent[a.Name] = silent[a.Name] || i == 0 && len(a.Fires) == 0
		}
	}
	for _, r := range rules(t, "alerts.yml") {
		if !fires[r.Alert] || !silent[r.Alert] {
			t.Errorf("%s: shown to fire: %v, shown to be silent on a healthy rig: %v", r.Alert, fires[r.Alert], silent[r.Alert])
		}
		if r.Labels["severity"] == "" || r.Annotations["summary"] == "" || r.Annotations["description"] == "" {
			t.Errorf("%s has no severity, summary or description", r.Alert)
		}
		if text := r.Annotations["description"]; len(text) < 80 || !strings.HasSuffix(text, ".") {
			t.Errorf("%s does not say what it means and what to do: %q", r.Alert, text)
		}
	}
	for _, r := range rules(t, "recording.yml") {
		if !recorded[r.Record] {
			t.Errorf("%s is not shown to be right", r.Record)
		}
	}
	for _, name := range []string{ // what a lab must be told
		"ProbeFault", "ProbeMissing", "Down", "JournalNotDurable", "DiskLow", "RunLimited", "OverLimit", "LoadLost", "AmbientOutOfBand", "Silent",
	} {
		if !fires["Soakrig"+name] {
			t.Errorf("there is no alert Soakrig%s", name)
		}
	}
}

// board is the part of a dashboard that the tests look at.
type board struct {
	file          string
	ID            *int
	UID, Title    string
	SchemaVersion int
	Templating    struct {
		List []struct {
			Name, Type, Definition string
			Datasource             *source
		}
	}
	Annotations struct{ List []target }
	Panels      []panel
}

type panel struct {
	ID                       int
	Type, Title, Description string
	Datasource               *source
	GridPos                  struct{ X, Y, W, H int }
	Targets                  []target
	FieldConfig              struct {
		Defaults struct {
			Unit, NoValue string
			Custom        map[string]any
		}
	}
}

type target struct {
	Name, Expr, RefID, LegendFormat, Format string
	Instant                                 bool
	Datasource                              *source
}

type source struct{ Type, UID string }

func boards(t *testing.T) (all []board) {
	t.Helper()
	files, err := filepath.Glob("dashboards/*.json")
	if err != nil || len(files) != 2 {
		t.Fatalf("dashboards %v: %v", files, err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"__inputs", "__requires", "${DS_"} {
			if strings.Contains(string(text), word) {
				t.Errorf("%s has %s: a dashboard from a file is never asked for it", f, word)
			}
		}
		b := board{file: f}
		if err := json.Unmarshal(text, &b); err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		all = append(all, b)
	}
	return all
}

func TestDashboards(t *testing.T) {
	units := []string{"", "celsius", "watt", "watth", "s", "short", "bytes"}
	uids := map[string]bool{}
	for _, b := range boards(t) {
		if b.ID != nil || b.SchemaVersion != 39 || b.UID == "" || len(b.UID) > 40 || b.Title == "" || uids[b.UID] {
			t.Errorf("%s: id %v, schema %d, uid %q, title %q", b.file, b.ID, b.SchemaVersion, b.UID, b.Title)
		}
		uids[b.UID] = true
		if b.Templating.List[0].Type != "datasource" {
			t.Errorf("%s: its first variable is not the data source", b.file)
		}
		for _, v := range b.Templating.List[1:] {
			variable(t, b.file, v.Name, v.Datasource)
		}
		for _, a := range b.Annotations.List {
			variable(t, b.file, a.Name, a.Datasource)
		}
		ids := map[int]bool{}
		var taken [256][24]string
		for _, p := range b.Panels {
			if ids[p.ID] || p.ID == 0 || p.Title == "" || !slices.Contains(units, p.FieldConfig.Defaults.Unit) {
				t.Errorf("%s: panel %d %q, unit %q", b.file, p.ID, p.Title, p.FieldConfig.Defaults.Unit)
			}
			ids[p.ID] = true
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
					if x >= 24 || taken[y][x] != "" {
						t.Fatalf("%s: %s lies over %q or the edge", b.file, p.Title, taken[y][min(x, 23)])
					}
					taken[y][x] = p.Title
				}
			}
			if p.Type == "row" {
				continue
			}
			variable(t, b.file, p.Title, p.Datasource)
			p.check(t, b.file)
			if p.Type == "timeseries" && p.FieldConfig.Defaults.Custom["spanNulls"] != false {
				t.Errorf("%s: %s draws over faults", b.file, p.Title)
			}
			for _, q := range p.Targets {
				variable(t, b.file, p.Title, q.Datasource)
			}
		}
	}
}

// check checks what a panel shows and how.
func (p *panel) check(t *testing.T, file string) {
	t.Helper()
	refs := map[string]bool{}
	if len(p.Targets) == 0 {
		t.Errorf("%s: %s asks for nothing", file, p.Title)
	}
	for _, q := range p.Targets {
		bad := func(what string) { t.Errorf("%s: %s: %s: %s", file, p.Title, what, q.Expr) }
		if q.RefID == "" || refs[q.RefID] {
			bad("its letter is missing or used twice")
		}
		refs[q.RefID] = true
		if !strings.Contains(q.Expr, `rig=~"$rig`) {
			bad("it shows rigs that were not asked for")
		}
		switch p.Type {
		case "timeseries", "state-timeline":
			if q.LegendFormat == "" || q.Instant {
				bad("a curve has a name, and is no instant")
			}
			if p.Type == "timeseries" && p.FieldConfig.Defaults.Unit == "" {
				bad("a curve has a unit")
			}
		case "table":
			if !q.Instant || q.Format != "table" {
				bad("a table shows an instant")
			}
		case "stat":
			if !q.Instant || len(p.Targets) > 1 && q.LegendFormat == "" {
				bad("a number is an instant's, and has a name where there are several")
			}
			if strings.Contains(q.Expr, "soakrig_run_") && !strings.Contains(q.Expr, "soakrig_run_open") && p.FieldConfig.Defaults.NoValue == "" {
				bad("without a run it is empty, and must say so")
			}
		}
	}
}

func variable(t *testing.T, file, where string, s *source) {
	t.Helper()
	if s == nil || s.Type != "prometheus" || s.UID != "${datasource}" {
		t.Errorf("%s: %s: data source %+v is not the variable", file, where, s)
	}
}

// lab is a Prometheus that scrapes a page as rig bench-2 and has the rules loaded.
type lab struct {
	t    *testing.T
	base string
}

func startLab(t *testing.T) *lab {
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	rig := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4")
		fmt.Fprintf(w, "%s%s", text, written)
	}))
	t.Cleanup(rig.Close)
	folder, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	config := fmt.Sprintf(`global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [%[1]s/recording.yml, %[1]s/alerts.yml]
scrape_configs:
  - {job_name: soakrig, static_configs: [{targets: [%[2]q], labels: {rig: bench-2}}]}
`, folder, rig.Listener.Addr())
	p := startPrometheus(t, t.TempDir(), config)
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		if n, _ := p.count(`count_over_time(up{job="soakrig"}[1m]) > 3 and on (rig) rig:soakrig_energy_watts:rate5m`); n > 0 {
			return p
		}
		if time.Now().After(end) {
			t.Fatal("Prometheus has not scraped the page and evaluated the rules within a minute")
		}
	}
}

// startPrometheus starts a Prometheus with a configuration in a folder.
func startPrometheus(t *testing.T, dir, config string) *lab {
	t.Helper()
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool(t, "prometheus"), "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=error")
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed: its status says nothing
	})
	return &lab{t, "http://" + addr}
}

// get reads an API answer; problem is what the server says is wrong, or why there is
// no answer.
func (l *lab) get(path string, query url.Values, to any) (problem string) {
	resp, err := http.Get(l.base + path + "?" + query.Encode())
	if err != nil {
		return err.Error()
	}
	defer resp.Body.Close()
	var got struct {
		Status, Error string
		Data          json.RawMessage
	}
	if err := json.NewDecoder(resp.Body).Decode(&got); err != nil {
		return err.Error()
	}
	if got.Status != "success" {
		return got.Error
	}
	if err := json.Unmarshal(got.Data, to); err != nil {
		return err.Error()
	}
	return ""
}

// count is how many series a query gives.
func (l *lab) count(expr string) (n int, problem string) {
	var data struct{ Result []any }
	problem = l.get("/api/v1/query", url.Values{"query": {expr}}, &data)
	return len(data.Result), problem
}

// Every expression of the dashboards gives something on a rig in the middle of a run,
// and every variable has values.
func TestDashboardsOnLiveData(t *testing.T) {
	l := startLab(t)
	fill := strings.NewReplacer("$__rate_interval", "10s", "$job", "soakrig", "$rig", "bench-2")
	queries := 0
	check := func(where, expr string) {
		t.Helper()
		queries++
		expr = fill.Replace(expr)
		if strings.Contains(expr, "$") {
			t.Errorf("%s: a variable is left: %s", where, expr)
		}
		if n, problem := l.count(expr); problem != "" || n == 0 {
			t.Errorf("%s: %d series, %s: %s", where, n, problem, expr)
		}
	}
	values := regexp.MustCompile(`^label_values\((.+), (\w+)\)$`)
	for _, b := range boards(t) {
		for _, v := range b.Templating.List[1:] {
			m := values.FindStringSubmatch(v.Definition)
			if m == nil {
				t.Fatalf("%s: variable %s: %q", b.file, v.Name, v.Definition)
			}
			check(b.file+" variable "+v.Name, fmt.Sprintf("count by (%s) (%s)", m[2], m[1]))
		}
		for _, a := range b.Annotations.List {
			check(b.file+" annotation "+a.Name, a.Expr)
		}
		for _, p := range b.Panels {
			for _, q := range p.Targets {
				check(b.file+" "+p.Title, q.Expr)
			}
		}
	}
	t.Logf("%d expressions give data", queries)
	rulesAreHealthy(t, l)
}

// rulesAreHealthy wants every rule evaluated without an error, and every metric that a
// rule names to exist.
func rulesAreHealthy(t *testing.T, l *lab) {
	var data struct {
		Groups []struct {
			Rules []struct{ Name, Health, LastError string }
		}
	}
	if problem := l.get("/api/v1/rules", nil, &data); problem != "" {
		t.Fatal(problem)
	}
	seen := 0
	for _, g := range data.Groups {
		for _, r := range g.Rules {
			if seen++; r.Health != "ok" {
				t.Errorf("rule %s: %s %s", r.Name, r.Health, r.LastError)
			}
		}
	}
	names := regexp.MustCompile(`\b(?:rig:)?soakrig_\w+(?::\w+)?|promhttp_\w+`)
	all := append(rules(t, "alerts.yml"), rules(t, "recording.yml")...)
	if seen != len(all) {
		t.Errorf("%d rules are loaded, want %d", seen, len(all))
	}
	for _, r := range all {
		for _, name := range names.FindAllString(r.Expr, -1) {
			if n, problem := l.count(name); n == 0 {
				t.Errorf("rule %s%s asks for %s, which a rig does not have %s", r.Alert, r.Record, name, problem)
			}
		}
	}
	// The page's probe is open and over its limit: that must be known.
	for _, name := range []string{"SoakrigOverLimit"} {
		if n, problem := l.count(fmt.Sprintf(`ALERTS{alertname=%q,alertstate="firing",rig="bench-2"}`, name)); n == 0 {
			t.Errorf("%s does not fire: %s", name, problem)
		}
	}
}

// The list of rigs is what Prometheus reads from a file or a service.
func TestListOfRigs(t *testing.T) {
	text, err := os.ReadFile("rigs.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct {
		Targets []string
		Labels  map[string]string
	}
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if len(e.Targets) != 1 || e.Labels["rig"] == "" {
			t.Errorf("%+v: one target with the label rig is one rig", e)
		}
	}
}
