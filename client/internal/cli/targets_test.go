package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// soakTargets runs soak targets in an environment without rigs of its own.
func soakTargets(ctx context.Context, stderr io.Writer, env map[string]string, args ...string) (code int, out string) {
	var b bytes.Buffer
	code = Run(ctx, Env{Args: append([]string{"targets"}, args...), Stdin: strings.NewReader(""), Stdout: &b, Stderr: stderr,
		Getenv: func(k string) string { return env[k] }})
	return code, b.String()
}

// rigsOf is the target and the label rig of each group.
func rigsOf(t *testing.T, text string) map[string]string {
	t.Helper()
	var list []targetGroup
	if err := json.Unmarshal([]byte(text), &list); err != nil || list == nil {
		t.Fatalf("%v: %s", err, text)
	}
	all := map[string]string{}
	for _, g := range list {
		if len(g.Targets) != 1 || g.Labels["rig"] == "" {
			t.Errorf("%+v: one target with the label rig is one rig", g)
			continue
		}
		all[g.Targets[0]] = g.Labels["rig"]
	}
	return all
}

func TestTargets(t *testing.T) {
	rigs := filepath.Join(t.TempDir(), "rigs.yaml")
	if err := os.WriteFile(rigs, []byte("rigs:\n  bench-1: 192.0.2.11:7640\n  bench-2: {address: bench-2.example:7640, token_file: token}\n  here: unix:/run/soakd.sock\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		args []string
		want map[string]string
		says string // on standard error
	}{
		"rigs file":       {[]string{"--rigs", rigs}, map[string]string{"192.0.2.11:7641": "bench-1", "bench-2.example:7641": "bench-2"}, `rig here is left out: "unix:/run/soakd.sock" has no host`},
		"one of them":     {[]string{"--rigs", rigs, "--rig", "bench-2", "--port", "9100"}, map[string]string{"bench-2.example:9100": "bench-2"}, ""},
		"addresses":       {[]string{"--rig", "[2001:db8::7]:7640", "--rig", "b=bench:1"}, map[string]string{"[2001:db8::7]:7641": "2001:db8::7", "bench:7641": "b"}, ""},
		"the same twice":  {[]string{"--rig", "a=bench:1", "--rig", "b=bench:2"}, map[string]string{"bench:7641": "a"}, "rig b is left out: bench:7641 is rig a already"},
		"no host":         {[]string{"--rig", "a=:7640"}, map[string]string{}, "rig a is left out"},
		"nobody is named": {nil, map[string]string{"127.0.0.1:7641": "127.0.0.1"}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			var errs bytes.Buffer
			code, out := soakTargets(t.Context(), &errs, nil, c.args...)
			if code != exitOK || !strings.Contains(errs.String(), c.says) || c.says == "" && errs.Len() > 0 {
				t.Errorf("exit %d, says %q, want %q", code, errs.String(), c.says)
			}
			if got := rigsOf(t, out); !maps.Equal(got, c.want) {
				t.Errorf("targets %v, want %v", got, c.want)
			}
		})
	}
	for _, args := range [][]string{
		{"--label", "room"}, {"--label", "=x"}, {"--label", "a-b=x"}, {"--label", "9a=x"}, {"--label", "__x=y"}, {"--label", "rig=y"}, {"--label", "röm=y"},
		{"--port", "70000"}, {"-f", "x", "--listen", ":0"}, {"--rigs", rigs, "--rig", "bench-3"}, {"extra"}, {"--listen", "nowhere"},
	} {
		if code, out := soakTargets(t.Context(), io.Discard, nil, args...); code == exitOK || out != "" {
			t.Errorf("%q: exit %d, %s", args, code, out)
		}
	}
}

// waiting collects what is written, for who waits for a line of it.
type waiting struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *waiting) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *waiting) find(t *testing.T, pattern string) []string {
	t.Helper()
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		w.mu.Lock()
		m := regexp.MustCompile(pattern).FindStringSubmatch(w.b.String())
		w.mu.Unlock()
		if m != nil {
			return m
		}
	}
	t.Fatalf("no %s", pattern)
	return nil
}

// promtool finds promtool, or skips; where CI is set it must be there.
func promtool(t *testing.T) string {
	path, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("promtool is missing: apt-get install prometheus")
		}
		t.Skip("promtool is missing (apt-get install prometheus): the list was not read by it")
	}
	return path
}

// Prometheus finds the rigs in the file and at the service, with the labels meant.
func TestPrometheusReadsTargets(t *testing.T) {
	tool := promtool(t)
	dir := t.TempDir()
	file, rigs := filepath.Join(dir, "sd", "rigs.json"), filepath.Join(dir, "rigs.yaml")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(rigs, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Dir(file), 0o700); err != nil {
		t.Fatal(err)
	}
	write("rigs: {bench-1: '192.0.2.11:7640'}\n")
	for range 2 { // the second replaces the first
		if code, _ := soakTargets(t.Context(), io.Discard, nil, "--rigs", rigs, "--label", "room=east", "-f", file); code != exitOK {
			t.Fatalf("exit %d", code)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	var says waiting
	ended := make(chan int, 1)
	go func() {
		code, _ := soakTargets(ctx, &says, nil, "--rigs", rigs, "--listen", "127.0.0.1:0")
		ended <- code
	}()
	url := says.find(t, `(http://\S+)/`)[1] + "/rigs.json"
	config := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("scrape_configs:\n  - {job_name: from-file, file_sd_configs: [{files: [%q]}]}\n  - {job_name: from-service, http_sd_configs: [{url: %q}]}\n", file, url)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool, "check", "config", config).CombinedOutput(); err != nil {
		t.Errorf("promtool check config: %v\n%s", err, out)
	}
	discovered := func(job string) (targets []string) {
		t.Helper()
		out, err := exec.Command(tool, "check", "service-discovery", "--timeout=3s", config, job).Output()
		if err != nil {
			t.Fatalf("promtool check service-discovery: %v\n%s", err, out)
		}
		var found []struct{ Labels map[string]string }
		if err := json.Unmarshal(out, &found); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		for _, f := range found {
			targets = append(targets, f.Labels["instance"]+" "+f.Labels["rig"]+" "+f.Labels["room"])
		}
		slices.Sort(targets)
		return targets
	}
	if got := discovered("from-file"); !slices.Equal(got, []string{"192.0.2.11:7641 bench-1 east"}) {
		t.Errorf("from the file: %q", got)
	}
	write("rigs: {bench-1: '192.0.2.11:7640', bench-2: 'bench-2:7640'}\n") // a rig is added while the service runs
	if got := discovered("from-service"); !slices.Equal(got, []string{"192.0.2.11:7641 bench-1 ", "bench-2:7641 bench-2 "}) {
		t.Errorf("from the service: %q", got)
	}
	write("rigs: {bench-1: {adress: x}}\n")
	for method, want := range map[string]int{http.MethodGet: 500, http.MethodPost: 405} {
		req, err := http.NewRequestWithContext(ctx, method, url, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s with a bad rigs file: %d, want %d", method, resp.StatusCode, want)
		}
	}
	says.find(t, `unknown key`)
	cancel()
	if code := <-ended; code != exitOK {
		t.Errorf("exit %d when it was told to stop", code)
	}
}
