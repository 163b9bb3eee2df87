// Package scpi asks instruments that speak SCPI over TCP or a serial line. It can only
// send queries; the one command it ever sends is *CLS, on a serial line that lost its
// step. There the instrument is then asked who it is: what comes before that answer is
// old and thrown away. It frames messages, finds answers that are late, cut or doubled, and parses
// numbers with the values that stand for no number. It knows no instrument.
package scpi
