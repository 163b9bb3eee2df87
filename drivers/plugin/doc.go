// Package plugin runs drivers that are processes of their own, in any language, behind
// the contract in proto/soakrig/driver/v1, and lets a driver written in Go be such a
// process (Serve). The handshake is that of hashicorp/go-plugin; the supervision is here.
//
// A process that died or hangs leaves faults on all of its channels and is started
// again after a growing pause, by the next Read. It ends with soakd, whatever ends that:
// its standard input is closed, and on Linux the kernel kills it with its parent.
//
// Two goroutines per process exist outside any Read: one waits for its end and holds
// the thread that the kernel takes for its parent, the others copy what it writes to
// the log. They end with the process.
package plugin
