package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
)

// docsCommand writes the manual pages and shell completions that packages carry. It is
// hidden: people read the pages, packagers make them.
func docsCommand() *cobra.Command {
	return &cobra.Command{
		Use:    "docs FOLDER",
		Short:  "Write manual pages and shell completions into a folder",
		Args:   cobra.ExactArgs(1),
		Hidden: true,
		RunE:   func(c *cobra.Command, args []string) error { return writeDocs(c.Root(), args[0]) },
	}
}

// writeDocs fills folder/man and folder/completions. The date on the pages comes from
// SOURCE_DATE_EPOCH, so that a package can be built twice alike.
func writeDocs(root *cobra.Command, folder string) error {
	man, shells := filepath.Join(folder, "man"), filepath.Join(folder, "completions")
	for _, dir := range []string{man, shells} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return fmt.Errorf("make the folder of the manual: %w", err)
		}
	}
	name := root.Name()
	if err := writePages(root, man); err != nil {
		return err
	}
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
