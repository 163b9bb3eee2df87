package bus

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// event is struct gpio_v2_line_event in this machine's byte order.
func event(at time.Duration, id, seq uint32) []byte {
	p := make([]byte, EdgeSize)
	binary.NativeEndian.PutUint64(p, uint64(at))
	binary.NativeEndian.PutUint32(p[8:], id)
	binary.NativeEndian.PutUint32(p[12:], 17)
	binary.NativeEndian.PutUint32(p[16:], seq)
	binary.NativeEndian.PutUint32(p[20:], seq)
	return p
}

func TestEdgesComeThroughAPipe(t *testing.T) {
	var fd [2]int
	if err := unix.Pipe(fd[:]); err != nil {
		t.Fatal(err)
	}
	l, err := newEdgeLine(fd[0])
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var dst [3]Edge
	if n, err := l.Read(dst[:]); n != 0 || err != nil {
		t.Errorf("nothing there: %d, %v", n, err)
	}
	for i := range uint32(5) {
		if _, err := unix.Write(fd[1], event(time.Duration(i)*time.Second, 1+i%2, i+1)); err != nil {
			t.Fatal(err)
		}
	}
	n, err := l.Read(dst[:])
	if n != 3 || err != nil || dst[2] != (Edge{At: 2 * time.Second, Rising: true, Seq: 3}) || dst[1].Rising {
		t.Errorf("%d, %v, %+v", n, err, dst)
	}
	if n, err = l.Read(dst[:]); n != 2 || err != nil || dst[1].Seq != 5 {
		t.Errorf("%d, %v, %+v", n, err, dst)
	}
	if _, err := unix.Write(fd[1], make([]byte, EdgeSize)); err != nil {
		t.Fatal(err)
	}
	if n, err := l.Read(dst[:]); n != 0 || err == nil {
		t.Errorf("an event of no kind: %d, %v", n, err)
	}
	if _, err := unix.Write(fd[1], make([]byte, 7)); err != nil {
		t.Fatal(err)
	}
	if n, err := l.Read(dst[:]); n != 0 || err == nil {
		t.Errorf("a part of an event: %d, %v", n, err)
	}
	unix.Close(fd[1])
	if n, err := l.Read(dst[:]); n != 0 || !errors.Is(err, unix.ENODEV) {
		t.Errorf("a chip that is gone: %d, %v", n, err)
	}
	l.Close()
	if n, err := l.Read(dst[:]); n != 0 || !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %d, %v", n, err)
	}
	if l.Now() <= 0 {
		t.Errorf("clock %v", l.Now())
	}
}

func TestEdgesOfALineThatIsNotThere(t *testing.T) {
	h := NewHost(Hardware())
	_, err := h.Edges("NO-SUCH-LINE", EdgeOptions{Debounce: 10 * time.Millisecond, Bias: "pull-up"})
	if !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, fs.ErrPermission) {
		t.Errorf("%v", err)
	}
	h.Close()
	if _, err := h.Edges("GPIO17", EdgeOptions{}); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	if _, err := DecodeEdge(make([]byte, 47)); err == nil {
		t.Error("47 bytes were taken for an event")
	}
}
