package journal

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The card is a block device of our own: a process that serves one file over FUSE,
// on which a loop device and an ext4 file system lie. It sees every write and every
// flush below the file system in their order, keeps them in a log, and can be slow
// or fail. It needs root, /dev/fuse and loop devices; tests that need it are
// skipped, and say so, where those are missing.

// FUSE opcodes that the card answers; see linux/fuse.h.
const (
	fuseLookup   = 1
	fuseForget   = 2
	fuseGetattr  = 3
	fuseSetattr  = 4
	fuseOpen     = 14
	fuseRead     = 15
	fuseWrite    = 16
	fuseStatfs   = 17
	fuseRelease  = 18
	fuseFsync    = 20
	fuseFlush    = 25
	fuseInit     = 26
	fuseOpendir  = 27
	fuseReadir   = 28
	fuseAccess   = 34
	fuseIntr     = 36
	fuseForgetsN = 42
)

const cardRequest = 128 << 10 // longest write

// Kinds of log records.
const (
	logWrite = 'w' // off, data
	logFlush = 'f'
	logMark  = 'm' // off: durable through; data: 8 bytes, streamed through
)

// card is the state of the serving process.
type card struct {
	fd int

	mu      sync.Mutex
	image   []byte
	log     *bufio.Writer // nil: not logging
	file    *os.File
	writes  int64
	bytes   int64
	flushes int64
	slow    time.Duration
	fail    string // flush, write
}

// serveCard is the card process: mount point, size of the image, control socket.
func serveCard(args []string) error {
	var size int
	if _, err := fmt.Sscan(args[1], &size); err != nil {
		return err
	}
	fd, err := unix.Open("/dev/fuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("open /dev/fuse: %w", err)
	}
	opts := fmt.Sprintf("fd=%d,rootmode=40000,user_id=0,group_id=0,allow_other", fd)
	if err := unix.Mount("card", args[0], "fuse.card", unix.MS_NOSUID|unix.MS_NODEV, opts); err != nil {
		return fmt.Errorf("mount: %w", err)
	}
	c := &card{fd: fd, image: make([]byte, size)}
	l, err := net.Listen("unix", args[2])
	if err != nil {
		return err
	}
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go c.control(conn)
		}
	}()
	for range 4 {
		go c.serve()
	}
	c.serve()
	return nil
}

func (c *card) serve() {
	buf := make([]byte, cardRequest+64<<10)
	for {
		n, err := unix.Read(c.fd, buf)
		if errors.Is(err, unix.EINTR) || errors.Is(err, unix.ENOENT) || errors.Is(err, unix.EAGAIN) {
			continue
		}
		if err != nil || n < 40 {
			return // unmounted
		}
		out, errno := c.answer(buf[:n])
		op := binary.LittleEndian.Uint32(buf[4:])
		if op == fuseForget || op == fuseForgetsN || op == fuseIntr {
			continue
		}
		head := make([]byte, 16, 16+len(out))
		binary.LittleEndian.PutUint32(head, uint32(16+len(out)))
		binary.LittleEndian.PutUint32(head[4:], uint32(-int32(errno)))
		copy(head[8:], buf[8:16])
		unix.Write(c.fd, append(head, out...))
	}
}

func (c *card) answer(in []byte) (out []byte, errno unix.Errno) {
	body := in[40:]
	node := binary.LittleEndian.Uint64(in[16:])
	switch binary.LittleEndian.Uint32(in[4:]) {
	case fuseInit:
		out = make([]byte, 64)
		binary.LittleEndian.PutUint32(out, 7)
		binary.LittleEndian.PutUint32(out[4:], 31)
		copy(out[8:12], body[8:12])
		binary.LittleEndian.PutUint32(out[12:], 1|1<<5) // asynchronous reads, big writes
		binary.LittleEndian.PutUint16(out[16:], 64)
		binary.LittleEndian.PutUint16(out[18:], 48)
		binary.LittleEndian.PutUint32(out[20:], cardRequest)
		binary.LittleEndian.PutUint32(out[24:], 1)
		return out, 0
	case fuseLookup:
		if string(body[:len(body)-1]) != "disk" {
			return nil, unix.ENOENT
		}
		out = make([]byte, 40)
		binary.LittleEndian.PutUint64(out, 2)
		binary.LittleEndian.PutUint64(out[16:], 1<<30)
		binary.LittleEndian.PutUint64(out[24:], 1<<30)
		return append(out, c.attr(2)...), 0
	case fuseGetattr, fuseSetattr:
		out = make([]byte, 16)
		binary.LittleEndian.PutUint64(out, 1<<30)
		return append(out, c.attr(node)...), 0
	case fuseOpen, fuseOpendir:
		return make([]byte, 16), 0
	case fuseRead:
		off, n := binary.LittleEndian.Uint64(body[8:]), binary.LittleEndian.Uint32(body[16:])
		c.mu.Lock()
		defer c.mu.Unlock()
		off = min(off, uint64(len(c.image)))
		end := min(off+uint64(n), uint64(len(c.image)))
		return append([]byte(nil), c.image[off:end]...), 0
	case fuseWrite:
		return c.write(binary.LittleEndian.Uint64(body[8:]), body[40:40+binary.LittleEndian.Uint32(body[16:])])
	case fuseFsync:
		return nil, c.flush()
	case fuseStatfs:
		return make([]byte, 80), 0
	case fuseRelease, fuseFlush, fuseAccess, fuseReadir, fuseForget, fuseForgetsN, fuseIntr:
		return nil, 0
	}
	return nil, unix.ENOSYS
}

func (c *card) attr(node uint64) []byte {
	p := make([]byte, 88)
	binary.LittleEndian.PutUint64(p, node)
	mode := uint32(unix.S_IFDIR | 0o755)
	if node == 2 {
		mode = unix.S_IFREG | 0o600
		binary.LittleEndian.PutUint64(p[8:], uint64(len(c.image)))
		binary.LittleEndian.PutUint64(p[16:], uint64(len(c.image)/512))
	}
	binary.LittleEndian.PutUint32(p[60:], mode)
	binary.LittleEndian.PutUint32(p[64:], 1)
	binary.LittleEndian.PutUint32(p[80:], 4096)
	return p
}

func (c *card) write(off uint64, data []byte) ([]byte, unix.Errno) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fail == "write" || off+uint64(len(data)) > uint64(len(c.image)) {
		return nil, unix.EIO
	}
	copy(c.image[off:], data)
	c.writes++
	c.bytes += int64(len(data))
	c.put(logWrite, off, data)
	out := make([]byte, 8)
	binary.LittleEndian.PutUint32(out, uint32(len(data)))
	return out, 0
}

func (c *card) flush() unix.Errno {
	c.mu.Lock()
	slow, fail := c.slow, c.fail
	c.flushes++
	if fail == "" {
		c.put(logFlush, 0, nil)
	}
	c.mu.Unlock()
	if slow > 0 {
		<-time.After(slow)
	}
	if fail != "" {
		return unix.EIO
	}
	return 0
}

// put adds to the log; mu is held.
func (c *card) put(kind byte, off uint64, data []byte) {
	if c.log == nil {
		return
	}
	var head [13]byte
	head[0] = kind
	binary.LittleEndian.PutUint64(head[1:], off)
	binary.LittleEndian.PutUint32(head[9:], uint32(len(data)))
	c.log.Write(head[:])
	c.log.Write(data)
}

// control takes orders, one a line, and answers each with a line.
func (c *card) control(conn net.Conn) {
	defer conn.Close()
	lines := bufio.NewScanner(conn)
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		fmt.Fprintln(conn, c.order(f))
	}
}

func (c *card) order(f []string) string {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch f[0] {
	case "log": // log FOLDER: keep the image as it is and log from here on
		if err := os.WriteFile(filepath.Join(f[1], "base"), c.image, 0o600); err != nil {
			return err.Error()
		}
		file, err := os.Create(filepath.Join(f[1], "log"))
		if err != nil {
			return err.Error()
		}
		c.file, c.log = file, bufio.NewWriterSize(file, 1<<20)
	case "end":
		if err := errors.Join(c.log.Flush(), c.file.Close()); err != nil {
			return err.Error()
		}
		c.log = nil
	case "mark": // mark DURABLE STREAMED
		var durable, streamed uint64
		fmt.Sscan(f[1], &durable)
		fmt.Sscan(f[2], &streamed)
		c.put(logMark, durable, binary.LittleEndian.AppendUint64(nil, streamed))
	case "slow":
		d, err := time.ParseDuration(f[1])
		if err != nil {
			return err.Error()
		}
		c.slow = d
	case "fail": // fail flush|write|nothing
		c.fail = f[1]
		if f[1] == "nothing" {
			c.fail = ""
		}
	case "count":
		return fmt.Sprintf("%d %d %d", c.writes, c.bytes, c.flushes)
	default:
		return "unknown order " + f[0]
	}
	return "ok"
}

// rig is a mounted card.
type cardRig struct {
	t    testing.TB
	dir  string // where the file system is mounted
	conn net.Conn
	rd   *bufio.Reader
}

// newCard starts a card of so many bytes and mounts an ext4 file system on it.
func newCard(t testing.TB, size int) *cardRig {
	t.Helper()
	needLoop(t)
	if _, err := os.Stat("/dev/fuse"); err != nil {
		t.Skipf("NOT RUN: needs /dev/fuse: %v", err)
	}
	tmp := t.TempDir()
	point, socket := filepath.Join(tmp, "fuse"), filepath.Join(tmp, "control")
	c := &cardRig{t: t, dir: filepath.Join(tmp, "fs")}
	for _, d := range []string{point, c.dir} {
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(os.Args[0], point, fmt.Sprint(size), socket)
	cmd.Env = append(os.Environ(), "JOURNAL_TEST_HELPER=card")
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		unix.Unmount(point, unix.MNT_DETACH)
		cmd.Process.Kill()
		cmd.Wait()
	})
	for {
		conn, err := net.Dial("unix", socket)
		if err == nil {
			c.conn, c.rd = conn, bufio.NewReader(conn)
			break
		}
		if cmd.ProcessState != nil || t.Context().Err() != nil {
			t.Fatal("the card did not start", err)
		}
		<-time.After(5 * time.Millisecond)
	}
	t.Cleanup(func() { c.conn.Close() })
	mountExt4(t, filepath.Join(point, "disk"), c.dir, true)
	return c
}

func (c *cardRig) order(format string, args ...any) string {
	c.t.Helper()
	if _, err := fmt.Fprintf(c.conn, format+"\n", args...); err != nil {
		c.t.Fatal(err)
	}
	s, err := c.rd.ReadString('\n')
	if err != nil {
		c.t.Fatal(err)
	}
	return strings.TrimSpace(s)
}

func (c *cardRig) must(format string, args ...any) {
	c.t.Helper()
	if s := c.order(format, args...); s != "ok" {
		c.t.Fatalf(format+": %s", append(args, s)...)
	}
}

func (c *cardRig) count() (writes, bytes, flushes int64) {
	c.t.Helper()
	if _, err := fmt.Sscan(c.order("count"), &writes, &bytes, &flushes); err != nil {
		c.t.Fatal(err)
	}
	return writes, bytes, flushes
}

func needLoop(t testing.TB) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("NOT RUN: needs root for loop devices")
	}
	for _, tool := range []string{"losetup", "mkfs.ext4", "mount", "umount"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("NOT RUN: needs %s: %v", tool, err)
		}
	}
	if _, err := os.Stat("/dev/loop-control"); err != nil {
		t.Skipf("NOT RUN: needs loop devices: %v", err)
	}
}

func command(name string, args ...string) error {
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, out)
	}
	return nil
}

// loopDevice attaches a free loop device to a file.
func loopDevice(file string) (string, error) {
	out, err := exec.Command("losetup", "-f", "--show", file).Output()
	if err != nil {
		return "", fmt.Errorf("losetup %s: %w", file, err)
	}
	return strings.TrimSpace(string(out)), nil
}

// mountExt4 mounts a file on a folder until the test ends, with a new file system
// if fresh.
func mountExt4(t testing.TB, file, dir string, fresh bool) {
	t.Helper()
	dev, err := loopDevice(file)
	if err != nil {
		t.Skipf("NOT RUN: %v", err)
	}
	t.Cleanup(func() { command("losetup", "-d", dev) })
	if fresh {
		if err := command("mkfs.ext4", "-q", "-b", "4096", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0", dev); err != nil {
			t.Fatal(err)
		}
	}
	if err := command("mount", "-t", "ext4", "-o", "noatime", dev, dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unmount(dir) })
}

// unmount does it at once, or leaves it to the kernel if something is in the way.
func unmount(dir string) {
	if command("umount", dir) != nil {
		unix.Unmount(dir, unix.MNT_DETACH)
	}
}

// cardLog is what happened on a card, in order.
type cardLog struct {
	base []byte
	ops  []cardOp
}

type cardOp struct {
	kind     byte
	off      uint64 // of a write; durable through of a mark
	data     []byte
	streamed uint64
}

func readCardLog(dir string) (l cardLog, err error) {
	if l.base, err = os.ReadFile(filepath.Join(dir, "base")); err != nil {
		return l, err
	}
	f, err := os.Open(filepath.Join(dir, "log"))
	if err != nil {
		return l, err
	}
	defer f.Close()
	r := bufio.NewReaderSize(f, 1<<20)
	for {
		var head [13]byte
		if _, err := io.ReadFull(r, head[:]); errors.Is(err, io.EOF) {
			return l, nil
		} else if err != nil {
			return l, err
		}
		op := cardOp{kind: head[0], off: binary.LittleEndian.Uint64(head[1:])}
		op.data = make([]byte, binary.LittleEndian.Uint32(head[9:]))
		if _, err := io.ReadFull(r, op.data); err != nil {
			return l, err
		}
		if op.kind == logMark {
			op.streamed = binary.LittleEndian.Uint64(op.data)
		}
		l.ops = append(l.ops, op)
	}
}

func fdatasync(f *os.File) error { return unix.Fdatasync(int(f.Fd())) }
