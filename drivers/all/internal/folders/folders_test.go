package folders

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

func TestFind(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{
		"probe/chip/chip.go":          "package chip\n\nvar Driver = 1\n",
		"probe/chip/chip_test.go":     "package chip\n\n// calls drivertest.Conformance(\n",
		"probe/half/half.go":          "package half\n\nvar driver = 1\n",
		"probe/half/half_test.go":     "package half\n\nvar Driver = 1\n",
		"probe/empty/README":          "nothing\n",
		"probe/testdata/x/x.go":       "package x\n\nvar Driver = 1\n",
		"meter/maps/maps.go":          "package mapped\n\nvar (\n\tother = 2\n\tDriver = 1\n)\n",
		"push/push.go":                "package push\n\nvar Driver = 1\n",
		"somewhere/else/elsewhere.go": "package elsewhere\n\nvar Driver = 1\n",
	} {
		path := filepath.Join(root, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := Find(root)
	if err != nil {
		t.Fatal(err)
	}
	want := []Folder{
		{Path: "meter/maps", Package: "mapped"},
		{Path: "probe/chip", Package: "chip", Tests: true},
		{Path: "push", Package: "push"},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("found %+v, want %+v", got, want)
	}
	bad := filepath.Join(root, "probe", "chip", "broken.go")
	if err := os.WriteFile(bad, []byte("package chip\n\nfunc {"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Find(root); err == nil || !strings.Contains(err.Error(), "broken.go") {
		t.Errorf("a file that does not parse: %v, want it named", err)
	}
}
