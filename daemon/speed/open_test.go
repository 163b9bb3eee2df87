package speed

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"soakrig/client/command"
)

// drawn puts into the page how long it took from the beginning of the navigation until
// a script behind the page's own runs, which is when everything is drawn.
const drawn = `<script>document.body.dataset.took = performance.now();</script></body>`

// benchOpen opens the page of an eight-hour run in headless Chromium, against a page of
// as many bytes that draws nothing.
func benchOpen(b *testing.B) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		b.Skip("chromium is missing (apt-get install chromium): the page is not opened")
	}
	page := reportOf(b, 8)
	plain := `<!doctype html><title>plain</title><body><script type="application/json">` + strings.Repeat("0,", len(page)/2) + `</script></body>`
	p := newPair()
	for range max(b.N, 3) {
		p.ours = min(p.ours, opens(b, chromium, page))
		p.limit = min(p.limit, opens(b, chromium, plain))
	}
	put(b, row{what: "report page of 8 h x 10 Hz x 10 drawn in Chromium", unit: "ms", ours: p.ours, limit: p.limit,
		of: "a page of as many (" + strconv.Itoa(len(page)/1000) + " kB) bytes that draws nothing", allocs: none, budget: "< 2 s", met: p.ours < 2000})
}

// opens gives how long a page took, in ms.
func opens(b *testing.B, chromium, html string) float64 {
	dir := b.TempDir()
	file := filepath.Join(dir, "page.html")
	at := strings.LastIndex(html, "</body>")
	if err := os.WriteFile(file, []byte(html[:at]+drawn), 0o644); err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--window-size=1100,1600", "--timeout=30000", "--dump-dom", "file://"+file)
	dom, err := cmd.Output()
	if err != nil {
		b.Fatal(err)
	}
	m := regexp.MustCompile(`data-took="([0-9.]+)"`).FindSubmatch(dom)
	if m == nil {
		b.Fatal("the page did not tell its time")
	}
	ms, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return ms
}

// reportOf is the page that soak report writes of a night of so many hours.
func reportOf(b *testing.B, hours int) string {
	dir := b.TempDir()
	n := newNight(b, dir, hours*36000, 10)
	row, result := n.row, n.evaluate()
	result.Run, result.Unit = row.Start.Run, row.Start.Unit
	row.Result = &result
	if err := n.j.PutRun(row); err != nil {
		b.Fatal(err)
	}
	if err := n.j.Close(); err != nil {
		b.Fatal(err)
	}
	file := filepath.Join(b.TempDir(), "night.html")
	var out, diag bytes.Buffer
	if code := command.Run(context.Background(), []string{"report", collect(b, dir), "-f", file}, &out, &diag); code != 0 && code != 3 && code != 5 {
		b.Fatalf("report ended with %d: %s", code, diag.String())
	}
	html, err := os.ReadFile(file)
	if err != nil {
		b.Fatal(err)
	}
	return string(html)
}
