//go:build !race

package rpc

import (
	"testing"
	"time"

	"soakrig/daemon/internal/journal"
)

// TestFollowingDoesNotAllocate counts what the rig allocates to read, convert and
// encode a reading for a subscriber, with nothing of a client or of gRPC in it: none,
// but for the chunks and blocks of the journal, which are spread over thousands. The
// race detector changes allocations, so this part is built without it.
func TestFollowingDoesNotAllocate(t *testing.T) {
	const n, channels = 20_000, 10
	for _, c := range []struct {
		name string
		ring int
		most float64 // per reading
	}{{"from memory", 256 << 20, 0.002}, {"from disk", 1 << 16, 0.005}} {
		t.Run(c.name, func(t *testing.T) {
			r := tenChannels(t, journal.Options{Sync: 20 * time.Millisecond, RingBytes: c.ring})
			s := benchSample(r.layout)
			at := r.clock.Now()
			for i := range n {
				at.BootNS += 1e8
				seq, err := r.file.Append(at, s)
				if err != nil {
					t.Fatal(err)
				}
				if i%200 == 199 {
					if err := r.file.WaitDurable(t.Context(), seq); err != nil {
						t.Fatal(err)
					}
				}
			}
			f := r.srv.follow(1, nil)
			defer f.close()
			var bytes int
			read := func(upTo uint64) {
				for f.covered < upTo {
					if gap, err := f.step(t.Context()); err != nil || gap != nil {
						t.Fatal(gap, err)
					}
					if f.full() {
						bytes += len(f.finish(tailBatch, n, n))
					}
				}
			}
			read(2000) // layouts, tables and buffers are made
			next := uint64(2000)
			per := testing.AllocsPerRun(8, func() { next += 2000; read(next) }) / 2000 / channels
			t.Logf("%.5f allocations per reading, %d bytes sent", per, bytes)
			if per > c.most {
				t.Errorf("%.5f allocations per reading, at most %g", per, c.most)
			}
			if f.covered != n || bytes < n*channels*8 {
				t.Errorf("read %d of %d entries, %d bytes", f.covered, n, bytes)
			}
		})
	}
}
