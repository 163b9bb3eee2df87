package report

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// probe runs in the page: it zooms, reads and hides curves as a person would and
// leaves what it found in the document.
const probe = `<script>addEventListener("load", () => {
  const found = [], say = (name, ok) => found.push(name + "=" + ok);
  const s = document.querySelector("section.chart"), c = s.soakChart, x = () => c.plots[0].scales.x;
  say("plots", c.plots.length);
  const drawn = u => { const g = u.ctx.getImageData(0, 0, u.ctx.canvas.width, u.ctx.canvas.height).data; let n = 0; for (let i = 3; i < g.length; i += 4) if (g[i]) n++; return n; };
  requestAnimationFrame(() => setTimeout(() => {
    say("drawn", c.plots.every(u => drawn(u) > 500));
    c.zoom(1000, 2000);
    setTimeout(() => {
      say("zoomed", Math.abs(x().min - 1000) < 1 && Math.abs(x().max - 2000) < 1);
      say("together", c.plots.every(u => Math.abs(u.scales.x.max - 2000) < 1));
      s.querySelector(".plots").dispatchEvent(new KeyboardEvent("keydown", {key: "0", bubbles: true}));
      setTimeout(() => {
        say("keys", Math.abs(x().min - c.whole.min) < 1);
        s.querySelector(".plots").dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true}));
        say("said", s.querySelector(".said").textContent.includes("vr3"));
        say("fault", s.querySelector(".readout").textContent.includes("open"));
        s.querySelector("[data-do=load]").click();
        s.querySelector(".readout button").click();
        setTimeout(() => {
          say("load", Math.abs(x().min - 240) < 1 && Math.abs(x().max - 3960) < 1);
          say("hidden", c.plots[0].series[1].show === false);
          say("requests", performance.getEntriesByType("resource").length);
          document.body.dataset.found = found.join(" ");
        }, 50);
      }, 50);
    }, 50);
  }, 50));
});</script>`

// TestPageInBrowser opens the page in headless Chromium: it loads without messages
// on the console and without a request, zooms, reads by keyboard, hides curves.
func TestPageInBrowser(t *testing.T) {
	html := browserPage(t, 2)
	html = strings.Replace(html, "</body>", probe+"</body>", 1)
	// The browser ends when its virtual time does, on a busy machine sometimes before the
	// page has drawn: then it is opened again.
	var m []string
	var log string
	for try := 1; m == nil && try <= 4; try++ {
		var dom string
		dom, log = chromium(t, html, "--virtual-time-budget="+strconv.Itoa(15000*try))
		m = regexp.MustCompile(`data-found="([^"]*)"`).FindStringSubmatch(dom)
	}
	if m == nil {
		t.Fatalf("the page's script did not come to its end; console:\n%s", log)
	}
	if want := "plots=3 drawn=true zoomed=true together=true keys=true said=true fault=true load=true hidden=true requests=0"; m[1] != want {
		t.Errorf("got  %s\nwant %s", m[1], want)
	}
	for line := range strings.SplitSeq(log, "\n") {
		if strings.Contains(line, ":CONSOLE") {
			t.Errorf("console: %s", line)
		}
	}
}

// TestLongPageOpens: 8 h of ten readings a second are drawn; how fast is logged.
func TestLongPageOpens(t *testing.T) {
	b := NewTraceBuilder(testChannels(), 0, 28800)
	for i := range 288000 {
		for ch := range testChannels() {
			b.Add(ch, float64(i)/10, 50+float64(i%977)/50, 0)
		}
	}
	var page bytes.Buffer
	r := testResult()
	r.DurationS = 28800
	if err := (&Page{Title: "long", Runs: []PageRun{{r, b.Finish()}}}).Write(&page); err != nil {
		t.Fatal(err)
	}
	// uPlot draws in a microtask, so a script behind the page's own runs when all is
	// drawn. A fixed amount of arithmetic before and after tells how busy the machine is:
	// it takes some 60 ms where nothing else runs.
	const spin = `<script>{const t = performance.now(); let x = 0; for (let i = 0; i < 3e7; i++) x += Math.sqrt(i); (window.spin ??= []).push(performance.now() - t + x * 0);}</script>`
	const stopwatch = spin + `<script>document.body.dataset.found = Math.round(performance.now() - spin[0] - spin[1]) + " " + Math.round((spin[0] + spin[1]) / 2);</script>`
	html := strings.Replace(page.String(), "<main id", spin+"<main id", 1)
	dom, log := chromium(t, strings.Replace(html, "</body>", stopwatch+"</body>", 1))
	m := regexp.MustCompile(`data-found="([0-9]+) ([0-9]+)"`).FindStringSubmatch(dom)
	if m == nil {
		t.Fatalf("no time was measured; console:\n%s", log)
	}
	took, err1 := strconv.ParseFloat(m[1], 64)
	busy, err2 := strconv.ParseFloat(m[2], 64)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	// The budget is 2 s where nothing else runs; a figure, not a condition: see the
	// arithmetic beside it.
	t.Logf("%d kB, drawn after %v ms; the arithmetic took %v ms", page.Len()/1000, took, busy)
}

func browserPage(t *testing.T, perSecond int) string {
	t.Helper()
	var b bytes.Buffer
	if err := (&Page{Title: "Soak: carrier-7", Runs: []PageRun{{testResult(), testTraces(perSecond)}}}).Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// chromium loads a page and gives the document and the log afterwards.
func chromium(t *testing.T, html string, flags ...string) (dom, log string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		text := "chromium is missing (apt-get install chromium): the page is not opened"
		if os.Getenv("CI") != "" {
			t.Fatal(text)
		}
		t.Skip(text)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "page.html")
	if err := os.WriteFile(file, []byte(html), 0o644); err != nil {
		t.Fatal(err)
	}
	args := append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir=" + filepath.Join(dir, "profile"), "--enable-logging=stderr",
		"--window-size=1100,1600", "--timeout=20000", "--dump-dom"}, flags...)
	cmd := exec.Command(path, append(args, "file://"+file)...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, errs.String())
	}
	return out.String(), errs.String()
}
