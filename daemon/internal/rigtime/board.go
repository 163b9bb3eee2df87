package rigtime

import (
	"context"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// Board is the clock of the board that soakd runs on.
type Board struct {
	boot record.BootID

	askedNS atomic.Int64 // on the monotonic clock, when the kernel was asked last; 0: never
	synced  atomic.Bool  // what it said
}

// NewBoard reads the boot identity. Without one (no /proc) it fails: samples of two
// boots could not be told apart.
func NewBoard() (*Board, error) {
	const path = "/proc/sys/kernel/random/boot_id"
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read boot identity: %w", err)
	}
	boot, err := ParseBootID(strings.TrimSpace(string(text)))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &Board{boot: boot}, nil
}

// ParseBootID reads 32 hexadecimal digits with or without dashes.
func ParseBootID(s string) (record.BootID, error) {
	var b record.BootID
	digits := strings.ReplaceAll(s, "-", "")
	raw, err := hex.DecodeString(digits)
	if err != nil || len(raw) != len(b) {
		return b, fmt.Errorf("boot identity %q: want 32 hexadecimal digits", s)
	}
	copy(b[:], raw)
	return b, nil
}

// Now implements Clock. CLOCK_BOOTTIME counts suspended time too.
func (c *Board) Now() record.Stamp {
	now, wall := together(boottime, time.Now)
	return record.Stamp{Boot: c.boot, BootNS: now, WallNS: wall, Synced: c.syncedAt(now)}
}

// Two clocks are read one after the other, and a busy board may do something else for
// half a second in between, which would look like a step of the wall clock.
const (
	togetherNS    = int64(200 * time.Microsecond)
	togetherTries = 8
)

// together reads both clocks within togetherNS, or of several tries takes the closest.
func together(boot func() int64, wall func() time.Time) (bootNS, wallNS int64) {
	best := int64(-1)
	before := boot()
	for range togetherTries {
		at := wall().UnixNano()
		after := boot()
		if width := after - before; best < 0 || width < best {
			best, bootNS, wallNS = width, before+width/2, at
		}
		if best <= togetherNS {
			break
		}
		before = after
	}
	return bootNS, wallNS
}

// askEvery is how old an answer about synchronisation may be: asking costs a system
// call, in a sandbox a look at a file, and stamps are taken hundreds of times a second.
const askEvery = time.Second

func (c *Board) syncedAt(now int64) bool {
	if asked := c.askedNS.Load(); asked != 0 && now-asked < int64(askEvery) {
		return c.synced.Load()
	}
	is := synced()
	c.synced.Store(is)
	c.askedNS.Store(now)
	return is
}

// SleepUntil implements Clock.
func (c *Board) SleepUntil(ctx context.Context, bootNS int64) error {
	for {
		wait := time.Duration(bootNS - boottime())
		if wait <= 0 {
			return ctx.Err()
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		}
	}
}

// Tick implements Clock; real time can't be held.
func (c *Board) Tick(ctx context.Context, bootNS int64) (func(), error) {
	if err := c.SleepUntil(ctx, bootNS); err != nil {
		return nil, err
	}
	return func() {}, nil
}

// Retick implements Clock.
func (c *Board) Retick(ctx context.Context, bootNS int64) error { return c.SleepUntil(ctx, bootNS) }

// Speed implements Clock.
func (c *Board) Speed() float64 { return 1 }

func boottime() int64 {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic("soakd needs CLOCK_BOOTTIME (Linux 2.6.39): " + err.Error())
	}
	return ts.Nano()
}

// synced asks the kernel whether the clock is synchronised. Reading needs no
// privilege, but a sandbox may refuse the call, since it is also the one that sets the
// clock; then systemd-timesyncd's mark counts.
func synced() bool {
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	if err != nil {
		return syncMarked(timesyncMark, time.Now())
	}
	return state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0
}

// timesyncMark is touched at every synchronisation (systemd-timesyncd.service(8)).
const timesyncMark = "/run/systemd/timesync/synchronized"

// freshMark is how long a synchronisation counts. The kernel says unsynchronised once
// its error bound has grown past 16 s, at 500 ppm after 8.9 h; the same here.
const freshMark = 16 * time.Second * 1e6 / 500

// syncMarked says whether the file at path was touched recently enough.
func syncMarked(path string, now time.Time) bool {
	info, err := os.Stat(path)
	return err == nil && now.Sub(info.ModTime()) < freshMark
}
