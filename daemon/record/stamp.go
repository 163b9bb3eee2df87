package record

import (
	"encoding/hex"
	"time"
)

// BootID names one boot of the board (the kernel's random boot id).
type BootID [16]byte

// String is the id as 32 hexadecimal digits.
func (b BootID) String() string { return hex.EncodeToString(b[:]) }

// Stamp is an instant as the board knew it. Durations come from BootNS of one boot,
// never from WallNS: wall time may step.
type Stamp struct {
	Boot   BootID
	BootNS int64 // CLOCK_BOOTTIME, ns since Boot began, >= 0
	WallNS int64 // ns since 1970-01-01 UTC as the board believed it
	Synced bool  // the clock was synchronised then
}

// Wall is the wall time of the stamp in UTC.
func (s Stamp) Wall() time.Time { return time.Unix(0, s.WallNS).UTC() }

// Sub is the time from u to s on the monotonic clock. ok is false when the two
// stamps are from different boots; then d is the difference of wall times.
func (s Stamp) Sub(u Stamp) (d time.Duration, ok bool) {
	if s.Boot == u.Boot {
		return time.Duration(s.BootNS - u.BootNS), true
	}
	return time.Duration(s.WallNS - u.WallNS), false
}
