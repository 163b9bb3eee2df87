package cli

import (
	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// writePages writes a manual page for each command.
func writePages(root *cobra.Command, folder string) error {
	root.DisableAutoGenTag = true
	return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "soakrig", Manual: "soakrig"}, folder)
}
