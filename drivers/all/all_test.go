package all

import (
	"os"
	"strings"
	"testing"

	"soakrig/drivers"
	"soakrig/drivers/all/internal/folders"
)

// TestListComplete parses the rooms: the list names each folder with a driver, and
// nothing else.
func TestListComplete(t *testing.T) {
	found, err := folders.Find("..")
	if err != nil {
		t.Fatal(err)
	}
	src, err := os.ReadFile("list.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		if !strings.Contains(string(src), "\"soakrig/drivers/"+f.Path+"\"") {
			t.Errorf("list.go lacks %s: run go generate ./drivers/all", f.Path)
		}
		if f.Package == "plugin" {
			continue // processes have no fake clock, which the conformance run needs; its own tests check the contract
		}
		if !f.Tests {
			t.Errorf("%s has no test that calls drivertest.Conformance", f.Path)
		}
	}
	if got := len(Drivers()); got != len(found) {
		t.Errorf("%d drivers listed, %d folders have one", got, len(found))
	}
}

func TestNames(t *testing.T) {
	seen := map[string]bool{}
	for _, d := range Drivers() {
		if d.Name == "" || d.Open == nil || seen[d.Name] {
			t.Errorf("driver %q: name empty or used twice, or no Open", d.Name)
		}
		seen[d.Name] = true
	}
	if !seen["max31855"] {
		t.Error("max31855 is not listed")
	}
}

// find returns a driver by name.
func find(t *testing.T, name string) *drivers.Driver {
	t.Helper()
	for _, d := range Drivers() {
		if d.Name == name {
			return d
		}
	}
	t.Fatalf("no driver %s", name)
	return nil
}
