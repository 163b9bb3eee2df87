// Package rpc serves the three services of proto/soakrig/v1 with gRPC health and
// reflection: what the journal holds as streams and pages, the rig's state, and runs.
// It is the only room of the daemon that imports proto.
//
// Every subscriber follows the journal with a reader of its own at its own pace;
// live and catch-up are the same code. A subscriber holds one batch buffer of at
// most 64 KiB plus one entry, one converter table per layout it met, and what gRPC
// buffers for its connection (64 KiB until the client reads on). Nothing is queued
// per subscriber, so one that stands still costs nothing more.
//
// The package decides who may call what (roles observe and operate), but it neither
// reads the configuration nor computes anything about a run: that comes in through
// Options.
package rpc
