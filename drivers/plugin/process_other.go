//go:build !linux

package plugin

import (
	"os"
	"os/exec"
)

func ownGroup(*exec.Cmd) {}

// terminate asks the process to end; kill ends it. One that is gone is no error.
func terminate(cmd *exec.Cmd) { _ = cmd.Process.Signal(os.Interrupt) }

func kill(cmd *exec.Cmd) { _ = cmd.Process.Kill() }
