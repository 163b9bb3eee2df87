package record_test

import (
	"hash/fnv"
	"testing"

	"soakrig/daemon/record"
)

// TestBlockBytes: the bytes of a packed block are the same on every processor, word
// size and byte order: journals are copied between boards and desks.
func TestBlockBytes(t *testing.T) {
	h := fnv.New64a()
	size := 0
	for first := uint64(1); first < 1<<60; first = first*37 + 5 {
		entries := make([]record.Entry, 256)
		for i := range entries {
			n := int64(i)
			at := record.Stamp{Boot: record.BootID{1, 2, byte(i / 200)}, BootNS: n*500_000_017 - n%3, WallNS: 1_780_000_000_000_000_000 + n*500_000_000, Synced: i%50 != 7}
			s := &record.Sample{Layout: 3, Source: uint16(i % 2), Raw: []record.Raw{
				{Has: record.HasCode | record.HasCold | record.HasChip, Code: -8192 + n*n%601, Cold: 400 - n%9, Chip: 1<<33 + n, AgeUS: int32(n % 700)},
				{Has: record.HasCode, Code: -1<<63 + n},
				{Faults: record.Open},
			}}
			entries[i] = record.Entry{Seq: first + uint64(i), At: at, Body: s}
			if i%100 == 99 {
				entries[i].Body = &record.Mark{Text: "load start, ±2 K", Author: "bench"}
			}
		}
		p, err := pack(entries)
		if err != nil {
			t.Fatal(err)
		}
		size += len(p)
		h.Write(p)
	}
	if got, want := h.Sum64(), uint64(0x68f4ac22496653e9); got != want {
		t.Errorf("hash of %d bytes %#x, want %#x: a changed block format needs a new version and a new journal in testdata/journals", size, got, want)
	}
}
