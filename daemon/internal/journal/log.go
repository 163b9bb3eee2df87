package journal

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
)

// A write-ahead log, see sqlite.org/fileformat2.html: a header of 32 bytes, then frames
// of a header of 24 bytes and a page. Every frame goes on with the checksum of the one
// before, and carries the header's salts.
const (
	logMagic    = 0x377f0682 // the lowest bit: words are big-endian
	logHeader   = 32
	frameHeader = 24
	frameBytes  = frameHeader + pageSize
	// Commits that must lie behind a damaged frame. The last one may have been under way
	// when the power went and prove nothing; psow=0 writes the end of a commit twice.
	commitsBehind = 4
)

// logSum goes on with a log's checksum over p.
func logSum(order binary.ByteOrder, s [2]uint32, p []byte) [2]uint32 {
	for ; len(p) >= 8; p = p[8:] {
		s[0] += order.Uint32(p) + s[1]
		s[1] += order.Uint32(p[4:]) + s[0]
	}
	return s
}

func storedSum(p []byte) [2]uint32 {
	return [2]uint32{binary.BigEndian.Uint32(p), binary.BigEndian.Uint32(p[4:])}
}

// behindDamage gives the blocks in the frames of a log that SQLite will not look at,
// because a frame in front of them is damaged, and that had been committed: SQLite takes a
// damaged frame for the end of the log and writes over what follows. Nil: the log is whole, or
// ends as it does when the power goes, or its first commit, which says whose it is, is gone.
// Call it before SQLite opens the database.
func behindDamage(path string) (found []piece) {
	f, err := os.Open(path + "-wal")
	if err != nil {
		return nil
	}
	defer f.Close()
	l := logReader{f: f, behind: map[uint32][]byte{}}
	if !l.open() {
		return nil
	}
	if info, err := os.Stat(path); err == nil && info.Size() == 0 { // SQLite deletes a log beside nothing
		l.bad, l.before = true, 1
	}
	for l.next() {
	}
	if l.commits < commitsBehind {
		return nil
	}
	p := pages{newer: l.behind}
	if p.file, err = os.Open(path); err == nil {
		defer p.file.Close()
	}
	for n, d := range l.behind {
		p.leaf(d, n == 1, func(b piece) { found = append(found, b) })
	}
	return found
}

// logReader reads a log frame by frame.
type logReader struct {
	f       io.ReaderAt
	at      int64
	order   binary.ByteOrder
	salts   string
	sum     [2]uint32         // stored in the frame before
	before  int               // frames that end a commit, in front of the damage
	bad     bool              // behind it
	commits int               // frames that end a commit, there
	behind  map[uint32][]byte // the newest pages there
	frame   [frameBytes]byte
}

// open reads the header; false: SQLite will not look at the log at all.
func (l *logReader) open() bool {
	var head [logHeader]byte
	if _, err := l.f.ReadAt(head[:], 0); err != nil {
		return false
	}
	l.at = logHeader
	magic := binary.BigEndian.Uint32(head[:])
	l.order = binary.LittleEndian
	if magic&1 != 0 {
		l.order = binary.BigEndian
	}
	l.salts, l.sum = string(head[16:24]), storedSum(head[24:])
	return magic&^1 == logMagic && logSum(l.order, [2]uint32{}, head[:24]) == l.sum
}

// next takes in a frame; false: there is none, or nothing behind it is needed.
func (l *logReader) next() bool {
	_, err := l.f.ReadAt(l.frame[:], l.at)
	l.at += frameBytes
	if errors.Is(err, io.EOF) {
		return false
	}
	if err != nil { // a sector that can't be read
		l.bad = true
		return l.before > 0
	}
	f := l.frame[:]
	want := logSum(l.order, logSum(l.order, l.sum, f[:8]), f[frameHeader:])
	l.sum = storedSum(f[16:])
	ours := string(f[8:16]) == l.salts
	whole := ours && want == l.sum
	ends := binary.BigEndian.Uint32(f[4:]) != 0
	l.bad = l.bad || !whole
	switch {
	case !l.bad && ends:
		l.before++
	case l.bad && whole && ends:
		l.commits++
	}
	if l.bad && ours {
		l.behind[binary.BigEndian.Uint32(f)] = append([]byte(nil), f[frameHeader:]...)
	}
	return !l.bad || l.before > 0
}
