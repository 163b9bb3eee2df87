// Package line is the byte stream below the protocols that have no transaction
// numbers: a serial line, or a TCP connection used like one. It opens the stream when
// it is first needed and again, after a growing pause, when it was lost; it ends a
// blocked call with its context; it drains, and waits for silence. It knows no frames.
//
// Nothing here runs on its own, apart from the function that context.AfterFunc runs
// when a caller gives up; it ends at once.
package line
