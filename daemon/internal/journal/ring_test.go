package journal

import (
	"testing"

	"soakrig/daemon/record"
)

// TestMemoryFollowsTheDisk: what is durable stays in memory up to calmRing only; while
// the disk takes no commits, all of Options.RingBytes is used, and given back after.
func TestMemoryFollowsTheDisk(t *testing.T) {
	var f faults
	opts := Options{Dir: t.TempDir(), Ballast: -1, RingBytes: 4 << 20}
	opts.tune.fault = f.hook
	j := open(t, opts)
	defer j.Close()
	serial := uint64(1)
	grow := func(n uint64) State {
		appendN(t, j, serial, n)
		serial += n
		return j.State()
	}
	const chunk = largestChunk + largestChunk/4
	for range 30 {
		if s := grow(1000); s.RingBytes > 4<<20+chunk {
			t.Fatalf("memory takes %d bytes", s.RingBytes)
		}
		commit(t, j)
	}
	if s := grow(1000); s.RingBytes > calmRing+chunk || s.RingBytes < calmRing/2 {
		t.Errorf("with a working disk memory takes %d bytes, want about %d", s.RingBytes, calmRing)
	}
	commit(t, j)
	f.set("commit", codeError(sqliteReadonly))
	stored := j.State().Head
	for grow(1000).RingBytes < 3<<20 {
	}
	if s := j.State(); s.RingFirst > stored+1 || s.DurableThrough != stored {
		t.Errorf("without a disk memory begins at %d and durable is %d, want both to meet at %d", s.RingFirst, s.DurableThrough, stored)
	}
	for range 40 { // much longer than memory reaches
		if s := grow(2000); s.RingBytes > 4<<20+chunk {
			t.Fatalf("without a disk memory takes %d bytes", s.RingBytes)
		}
	}
	f.set("commit", nil)
	commit(t, j)
	if s := grow(1000); s.RingBytes > calmRing+chunk {
		t.Errorf("after the disk came back memory takes %d bytes, want about %d", s.RingBytes, calmRing)
	}
	commit(t, j)
	if r := j.NewReader(stored - 500); r.Seq() != stored-500 {
		t.Fatal("reader")
	} else if e, err := r.Next(t.Context()); err != nil || e.Seq != stored-500 {
		t.Errorf("entry %d: %v", e.Seq, err)
	}
}

// TestStampOfRing is every field of a stamp through memory.
func TestStampOfRing(t *testing.T) {
	for _, at := range []record.Stamp{
		{},
		{Boot: record.BootID{0: 1, 15: 255}, BootNS: -1, WallNS: -1 << 63, Synced: true},
		{BootNS: 1<<63 - 1, WallNS: 1<<63 - 1},
	} {
		var p [stampBytes]byte
		putStamp(p[:], &at)
		if got := takeStamp(p[:]); got != at {
			t.Errorf("%+v became %+v", at, got)
		}
	}
}
