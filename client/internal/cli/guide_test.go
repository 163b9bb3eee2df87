package cli

import (
	"os"
	"regexp"
	"testing"
)

// TestGuideOfRigs: the rigs file that the guide shows is taken.
func TestGuideOfRigs(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/guides/lab.md")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile("(?s)\n```yaml\n(rigs:.*?\n)```").FindSubmatch(text)
	if m == nil {
		t.Fatal("the guide shows no rigs file")
	}
	// The file of the certificate is looked for when the rig is dialled.
	rigs, err := parseRigs("rigs.yaml", m[1], 0)
	if err != nil || len(rigs) != 2 {
		t.Errorf("%d rigs: %v", len(rigs), err)
	}
}
