package speed

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// boards are the targets that are shipped; none needs cgo.
var boards = []struct{ name, arch, arm string }{{"amd64", "amd64", ""}, {"arm64", "arm64", ""}, {"arm", "arm", "6"}}

// build builds a program as it is shipped and gives its size.
func build(t testing.TB, pkg, arch, arm string) (file string, bytes int64) {
	t.Helper()
	file = filepath.Join(t.TempDir(), filepath.Base(pkg))
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", file, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOOS=linux", "GOARCH="+arch, "GOARM="+arm)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build %s for %s: %v\n%s", pkg, arch, err, out)
	}
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	return file, info.Size()
}

const mostMB = 25

func benchSize(b *testing.B) {
	for b.Loop() {
		for _, t := range boards {
			_, n := build(b, "soakrig/daemon/soakd", t.arch, t.arm)
			put(b, row{key: t.name, what: "soakd for " + t.name + ", without cgo, stripped", unit: "MB", ours: float64(n) / 1e6, limit: none, allocs: none,
				budget: "< 25", met: n < mostMB*1e6})
		}
	}
}
