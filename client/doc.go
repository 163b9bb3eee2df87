// Package client talks to rigs: for soak itself and for a lab's own scripts in Go.
// It dials (TLS, token, unix socket), gives every call a deadline, and follows a
// rig's journal or its open run across restarts and network cuts: Tail delivers
// every sequence number exactly once, in order, or says which are missing.
//
// It decodes what soakd converted; it converts and judges nothing itself, and keeps
// nothing on disk: a caller that wants to go on later stores the Cursor.
package client
