package journal

import (
	"os"
	"path/filepath"
	"testing"

	"soakrig/daemon/record"
)

// FuzzRow: a stored row whose text or key is not what was stored is never used.
func FuzzRow(f *testing.F) {
	f.Add("2026-06-01-1", `{"start":{"run":"2026-06-01-1"},"state":"ended","first_seq":"7","last_seq":"9"}`, uint16(3))
	f.Add("", "", uint16(0))
	f.Fuzz(func(t *testing.T, key, text string, at uint16) {
		sum := rowSum(key, text)
		decodeRow[RunRow](row{key: key, text: text}) // any text: no panic
		if p := []byte(text); len(p) > 0 {
			p[int(at)%len(p)] ^= 1 << (at % 8)
			if rowSum(key, string(p)) == sum {
				t.Fatalf("%q and %q have the same checksum", text, p)
			}
		}
		if v, ok := decodeRow[pin](row{key: key, text: text, bad: true}); ok || v != (pin{}) {
			t.Fatalf("a damaged row gave %+v", v)
		}
	})
}

// FuzzSampleName: only names that the journal itself gives are taken for its files.
func FuzzSampleName(f *testing.F) {
	f.Add(sampleName(1))
	f.Add("samples-00000000000000000000.db")
	f.Add("samples-99999999999999999999.db")
	f.Add("samples-+0000000000000000001.db")
	f.Add("samples-1.db")
	f.Fuzz(func(t *testing.T, name string) {
		if n, ok := sampleFirst(name); ok && sampleName(n) != name {
			t.Fatalf("%q was taken for file %d, whose name is %q", name, n, sampleName(n))
		}
	})
}

// FuzzRing: what goes into memory comes out as it was.
func FuzzRing(f *testing.F) {
	f.Add(int64(5), int64(-7), true, []byte{9, 1, '{', '}'})
	f.Fuzz(func(t *testing.T, boot, wall int64, synced bool, body []byte) {
		r := newRing(1 << 12)
		at := record.Stamp{Boot: record.BootID{1, 2}, BootNS: boot, WallNS: wall, Synced: synced}
		for seq := uint64(1); seq <= 20; seq++ {
			r.add(seq, &at, body, seq/2)
		}
		c := r.at(20)
		stamp, got := c.entry(int(20 - c.first))
		if takeStamp(stamp) != at || string(got) != string(body) {
			t.Fatalf("%+v % x", takeStamp(stamp), got)
		}
	})
}

// FuzzCarve: whatever lies on the pages of a database, only blocks that match their
// checksum and their number come out of it.
func FuzzCarve(f *testing.F) {
	dir := store(f, 800, true)
	p, err := os.ReadFile(newest(f, dir, ""))
	must(f, err)
	for at := pageSize; at < len(p); at += pageSize {
		if p[at] == tableLeaf {
			f.Add(p[at : at+pageSize])
		}
	}
	f.Add([]byte{tableLeaf, 0, 0, 0, 1, 0, 0, 0, 0, 10, 5, 1, 0, 0, 0, 0})
	path := filepath.Join(f.TempDir(), "db")
	f.Fuzz(func(t *testing.T, page []byte) {
		p := make([]byte, 3*pageSize)
		copy(p[pageSize:], page)
		must(t, os.WriteFile(path, p, 0o600))
		carve(path, func(b piece) {
			if first, last, err := record.CheckBlock(b.d); err != nil || first != b.first || last != b.last {
				t.Fatalf("%d to %d: %v", b.first, b.last, err)
			}
		})
	})
}
