// Package manual gives a program the hidden command that writes what its package
// carries: manual pages and shell completions. What a page looks like is the program's
// own; it knows nothing of what the commands do.
package manual

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
)

// Command is the command docs. It is hidden: people read the pages, packagers make
// them. pages writes the manual pages of a command and those below it into a folder;
// it dates them by SOURCE_DATE_EPOCH, so that a package can be built twice alike.
func Command(pages func(root *cobra.Command, folder string) error) *cobra.Command {
	return &cobra.Command{
		Use:    "docs FOLDER",
		Short:  "Write manual pages and shell completions into a folder",
		Args:   cobra.ExactArgs(1),
		Hidden: true,
		RunE:   func(c *cobra.Command, args []string) error { return write(c.Root(), args[0], pages) },
	}
}

// write fills folder/man and folder/completions.
func write(root *cobra.Command, folder string, pages func(*cobra.Command, string) error) error {
	man, shells := filepath.Join(folder, "man"), filepath.Join(folder, "completions")
	for _, dir := range []string{man, shells} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return fmt.Errorf("make the folder of the manual: %w", err)
		}
	}
	if err := pages(root, man); err != nil {
		return fmt.Errorf("write manual pages to %s: %w", man, err)
	}
	name := root.Name()
	for _, w := range []struct {
		file  string
		write func(string) error
	}{
		{name + ".bash", func(f string) error { return root.GenBashCompletionFileV2(f, true) }},
		{"_" + name, root.GenZshCompletionFile},
		{name + ".fish", func(f string) error { return root.GenFishCompletionFile(f, true) }},
	} {
		if err := w.write(filepath.Join(shells, w.file)); err != nil {
			return fmt.Errorf("write completions: %w", err)
		}
	}
	return nil
}
