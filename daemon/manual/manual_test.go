package manual

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// program is a command with the command docs.
func program(pages func(*cobra.Command, string) error, args ...string) *cobra.Command {
	root := &cobra.Command{Use: "rigtool", SilenceUsage: true, SilenceErrors: true}
	root.AddCommand(&cobra.Command{Use: "look", Short: "Look", Run: func(*cobra.Command, []string) {}}, Command(pages))
	root.SetArgs(args)
	root.SetOut(io.Discard)
	return root
}

func TestCommand(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new")
	page := func(c *cobra.Command, folder string) error {
		return os.WriteFile(filepath.Join(folder, c.Name()+".1"), []byte("page"), 0o644)
	}
	if err := program(page, "docs", dir).Execute(); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]string{
		"man/rigtool.1": "page", "completions/rigtool.bash": "__rigtool", "completions/_rigtool": "#compdef rigtool", "completions/rigtool.fish": "complete -c rigtool",
	} {
		if text, err := os.ReadFile(filepath.Join(dir, file)); err != nil || !strings.Contains(string(text), want) {
			t.Errorf("%s has no %q (%v)", file, want, err)
		}
	}
	var help strings.Builder
	root := program(page, "--help")
	root.SetOut(&help)
	if err := root.Execute(); err != nil || strings.Contains(help.String(), "docs") || !strings.Contains(help.String(), "look") {
		t.Errorf("%v; help shows docs, or lacks look:\n%s", err, help.String())
	}
}

func TestFailures(t *testing.T) {
	full := errors.New("no space")
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	none := func(*cobra.Command, string) error { return nil }
	if err := os.MkdirAll(filepath.Join(dir, "taken", "completions", "rigtool.bash"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		pages  func(*cobra.Command, string) error
		folder string
		want   string
	}{
		{none, file, "make the folder of the manual"},
		{func(*cobra.Command, string) error { return full }, filepath.Join(dir, "a"), "write manual pages to " + filepath.Join(dir, "a", "man") + ": no space"},
		{none, filepath.Join(dir, "taken"), "write completions"},
	} {
		if err := program(c.pages, "docs", c.folder).Execute(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.folder, err, c.want)
		}
	}
	if err := program(none, "docs").Execute(); err == nil {
		t.Error("docs without a folder")
	}
}
