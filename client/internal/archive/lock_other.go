//go:build !unix

package archive

import "os"

// lockFile opens a file; without file locks of Unix, writers must not overlap.
func lockFile(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644)
}
