package plugin

import (
	"os/exec"
	"syscall"
)

// ownGroup puts the command in a process group of its own, which the kernel kills when
// the thread that started it ends.
func ownGroup(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

// terminate asks the group to end; kill ends it. A group that is gone is no error.
func terminate(cmd *exec.Cmd) { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM) }

func kill(cmd *exec.Cmd) { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
