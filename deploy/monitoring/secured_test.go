package monitoring

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"soakrig/daemon"
	"soakrig/drivers/all"
)

// password is what the hash below was made of.
const (
	password = "let me look"
	hash     = "$2a$04$eXMx54hG0P7BKV/.8sJoc.4DDKMX7X01zgwJXGNPw3zsE3YkUrTbq"
)

// secured starts a simulated rig whose page is behind web.yml, with a password that is
// known, and gives its address.
func secured(t *testing.T, web string) string {
	t.Helper()
	text, err := os.ReadFile(web)
	if err != nil {
		t.Fatal(err)
	}
	head, _, ok := strings.Cut(string(text), "prometheus: ")
	if !ok {
		t.Fatalf("%s has no user prometheus", web)
	}
	if err := os.WriteFile(web, []byte(head+"prometheus: "+hash+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	rig := fmt.Sprintf(`rig: bench-1
listen: {grpc: 127.0.0.1:0, http: 127.0.0.1:0, web_config: %q}
journal: {dir: %q}
simulated: {}
sources: [{name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}]
`, web, t.TempDir())
	c, err := daemon.ParseConfig("rig.yaml", []byte(rig), all.Drivers())
	if err != nil {
		t.Fatal(err)
	}
	d, err := daemon.Start(daemon.Options{Config: c, Drivers: all.Drivers(), Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	})
	return d.HTTPAddr()
}

// The shipped prometheus.yml scrapes a rig whose page is closed by the shipped web.yml,
// found in a list that a service gives; strangers are turned away.
func TestScrapeBehindTLS(t *testing.T) {
	web := webConfig(t)
	rig := secured(t, web)
	list := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprintf(w, `[{"targets": [%q], "labels": {"rig": "bench-1", "room": "east"}}]`, rig)
	}))
	t.Cleanup(list.Close)
	dir := t.TempDir()
	certificate, err := os.ReadFile(filepath.Join(filepath.Dir(web), "tls/rig.pem"))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"tls/lab-ca.pem": string(certificate), "tls/scrape-password": password}
	for _, name := range []string{"recording.yml", "alerts.yml", "rigs.json", "prometheus.yml"} {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = string(text)
	}
	config := files["prometheus.yml"]
	for old, quick := range map[string]string{"http://127.0.0.1:8090/rigs.json": list.URL, "scrape_interval: 15s": "scrape_interval: 1s"} {
		if !strings.Contains(config, old) {
			t.Fatalf("prometheus.yml has no %q", old)
		}
		config = strings.Replace(config, old, quick, 1)
	}
	files["rigs.json"] = "[]" // nothing is looked up outside this computer
	for name, text := range files {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	p := startPrometheus(t, dir, config)
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
		if n, _ := p.count(`soakrig_temperature_celsius{job="soakrig",rig="bench-1",room="east",channel="vr1"} and on (instance) up == 1`); n == 1 {
			break
		}
		if time.Now().After(end) {
			var targets struct {
				ActiveTargets []struct{ ScrapeURL, Health, LastError string }
			}
			p.get("/api/v1/targets", nil, &targets)
			t.Fatalf("the rig was not scraped: %+v", targets)
		}
	}
	curl := tool(t, "curl")
	for _, c := range []struct {
		args []string
		want string // status; empty: no answer
	}{
		{[]string{"--cacert", filepath.Join(dir, "tls/lab-ca.pem"), "--user", "prometheus:" + password, "https://" + rig + "/metrics"}, "200"},
		{[]string{"--cacert", filepath.Join(dir, "tls/lab-ca.pem"), "--user", "prometheus:guess", "https://" + rig + "/metrics"}, "401"},
		{[]string{"--cacert", filepath.Join(dir, "tls/lab-ca.pem"), "https://" + rig + "/"}, "401"},
		{[]string{"--cacert", filepath.Join(dir, "tls/lab-ca.pem"), "https://" + rig + "/healthz"}, "401"},
		{[]string{"--cacert", filepath.Join(dir, "tls/lab-ca.pem"), "--tls-max", "1.1", "https://" + rig + "/metrics"}, ""},
		{[]string{"http://" + rig + "/metrics"}, "400"},
		{[]string{"https://" + rig + "/metrics"}, ""}, // nobody vouches for the certificate
	} {
		out, err := exec.Command(curl, append([]string{"--silent", "--noproxy", "*", "--output", os.DevNull, "--write-out", "%{http_code}"}, c.args...)...).Output()
		if got := string(out); c.want != "" && got != c.want || c.want == "" && err == nil {
			t.Errorf("curl %q: %s %v, want %q", c.args, got, err, c.want)
		}
	}
}
