package daemon_test

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"soakrig/daemon"
	"soakrig/drivers/all"
)

// startRig starts a simulated rig; more is added to its listen: block.
func startRig(t *testing.T, more string) *daemon.Daemon {
	t.Helper()
	text := `rig: t
listen: {grpc: 127.0.0.1:0, http: 127.0.0.1:0` + more + `}
journal: {dir: "` + t.TempDir() + `"}
simulated: {speed: 50}
sources:
  - {name: back, driver: max31855, every: 500ms, inputs: [{channel: vr1, port: SPI0.0}]}
`
	c, err := daemon.ParseConfig("t.yaml", []byte(text), all.Drivers())
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
	return d
}

func get(t *testing.T, url, user, password string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if user != "" {
		req.SetBasicAuth(user, password)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

func TestMetricsPage(t *testing.T) {
	d := startRig(t, "")
	code, body := get(t, "http://"+d.HTTPAddr()+"/metrics", "", "")
	if code != 200 || !strings.Contains(body, "soakrig_rig_info") {
		t.Errorf("%d\n%s", code, body)
	}
	if code, body := get(t, "http://"+d.HTTPAddr()+"/", "", ""); code != 200 || !strings.Contains(body, "not a safety device") {
		t.Errorf("landing page: %d\n%s", code, body)
	}
}

// TestWebConfig closes the page to strangers by the file that exporters share.
func TestWebConfig(t *testing.T) {
	file := filepath.Join(t.TempDir(), "web.yml")
	// The password is "let me look".
	const users = "basic_auth_users:\n  lab: $2a$04$eXMx54hG0P7BKV/.8sJoc.4DDKMX7X01zgwJXGNPw3zsE3YkUrTbq\n"
	if err := os.WriteFile(file, []byte(users), 0o600); err != nil {
		t.Fatal(err)
	}
	d := startRig(t, `, web_config: "`+file+`"`)
	url := "http://" + d.HTTPAddr() + "/metrics"
	for _, c := range []struct {
		user, password string
		code           int
	}{{"", "", 401}, {"lab", "guess", 401}, {"lab", "let me look", 200}} {
		if code, _ := get(t, url, c.user, c.password); code != c.code {
			t.Errorf("as %q with %q: %d, want %d", c.user, c.password, code, c.code)
		}
	}
}
