// Package nodes is a /dev of device nodes that live in user space: SPI, I2C and
// GPIO files served through FUSE, which answer the kernel's ioctls. With it the
// real path of package bus (periph's system calls, the GPIO claims) runs in a test
// without hardware. It knows the ioctls' layouts and no chip.
//
// Only the process that serves the files may use them: the ioctls carry addresses
// in its memory. It needs root and a mount namespace of its own.
package nodes

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sort"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// Opcodes and sizes of the kernel's FUSE protocol, linux/fuse.h (facts from the
// public header).
const (
	opLookup      = 1
	opForget      = 2
	opGetattr     = 3
	opOpen        = 14
	opRelease     = 18
	opFlush       = 25
	opInit        = 26
	opOpendir     = 27
	opReaddir     = 28
	opReleasedir  = 29
	opInterrupt   = 36
	opIoctl       = 39
	opBatchForget = 42
	inHeader      = 40
	rootID        = 1
)

// Node is one file.
type Node interface {
	// Ioctl carries out one command. arg is the caller's argument, in what the kernel
	// copied from there by the command's size, out is how much it will copy back.
	Ioctl(cmd uint32, arg uint64, in []byte, out int) ([]byte, unix.Errno)
}

// Dev is a served folder. Its methods may be called concurrently.
type Dev struct {
	fuse *os.File
	dir  string

	mu    sync.Mutex // guards all below
	nodes map[string]*entry
	ids   map[uint64]*entry
	last  uint64
}

type entry struct {
	id     uint64
	name   string
	node   Node
	gid    uint32
	refuse unix.Errno // of open
	gone   bool
}

// Mount serves dir. The caller is in a mount namespace of its own.
func Mount(dir string) (*Dev, error) {
	fd, err := unix.Open("/dev/fuse", unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open /dev/fuse: %w", err)
	}
	d := &Dev{fuse: os.NewFile(uintptr(fd), "fuse"), dir: dir, nodes: map[string]*entry{}, ids: map[uint64]*entry{}, last: rootID}
	opts := fmt.Sprintf("fd=%d,rootmode=40755,user_id=0,group_id=0", fd)
	if err := unix.Mount("nodes", dir, "fuse", unix.MS_NOSUID, opts); err != nil {
		return nil, errors.Join(fmt.Errorf("mount on %s: %w", dir, err), d.fuse.Close())
	}
	go d.serve(fd)
	return d, nil
}

// Unmount ends the service by force: whoever still waits for an answer gets an error.
func (d *Dev) Unmount() error {
	return unix.Unmount(d.dir, unix.MNT_FORCE|unix.MNT_DETACH)
}

// Add makes a node, or makes it anew.
func (d *Dev) Add(name string, n Node) { d.AddAs(name, n, 0, 0) }

// AddAs makes a node of a group; with refuse it can't be opened.
func (d *Dev) AddAs(name string, n Node, gid uint32, refuse unix.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.last++
	e := &entry{id: d.last, name: name, node: n, gid: gid, refuse: refuse}
	d.nodes[name], d.ids[e.id] = e, e
}

// Remove takes a node away: open descriptors get ESHUTDOWN, as after the removal
// of an SPI device.
func (d *Dev) Remove(name string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if e := d.nodes[name]; e != nil {
		e.gone = true
		delete(d.nodes, name)
	}
}

// serve answers until the mount is gone. Each request has its own goroutine, since
// answering one may open another file of the same folder.
func (d *Dev) serve(fd int) {
	buf := make([]byte, 1<<17)
	for {
		n, err := unix.Read(fd, buf)
		switch {
		case err == unix.EINTR || err == unix.ENOENT || err == unix.EAGAIN:
			continue
		case err != nil || n < inHeader:
			return
		}
		req := bytes.Clone(buf[:n])
		go d.answer(fd, req)
	}
}

var order = binary.LittleEndian

func (d *Dev) answer(fd int, req []byte) {
	op, unique, id := order.Uint32(req[4:]), order.Uint64(req[8:]), order.Uint64(req[16:])
	body := req[inHeader:]
	var out []byte
	errno := unix.Errno(0)
	switch op {
	case opForget, opBatchForget, opInterrupt:
		return
	case opInit:
		out = make([]byte, 64)
		order.PutUint32(out, 7)
		order.PutUint32(out[4:], 31)
		order.PutUint32(out[20:], 4096) // largest write
	case opLookup:
		out, errno = d.lookup(strings.TrimRight(string(body), "\x00"))
	case opGetattr:
		out, errno = d.getattr(id)
	case opOpen:
		out, errno = d.open(id)
	case opOpendir:
		out = make([]byte, 16)
	case opReaddir:
		out = d.readdir(order.Uint64(body[8:]), int(order.Uint32(body[16:])))
	case opFlush:
		// The kernel then never asks again. An answer would be waited for when this
		// process exits with files open, and nobody would give it.
		errno = unix.ENOSYS
	case opRelease, opReleasedir:
	case opIoctl:
		out, errno = d.ioctl(id, body)
	default:
		errno = unix.ENOSYS
	}
	head := make([]byte, 16, 16+len(out))
	if errno != 0 {
		out = nil
	}
	order.PutUint32(head, uint32(16+len(out)))
	order.PutUint32(head[4:], uint32(-int32(errno)))
	order.PutUint64(head[8:], unique)
	_, _ = unix.Write(fd, append(head, out...)) // ENOENT: the asker was interrupted
}

// attr is struct fuse_attr. Every incarnation of a node has its own inode and time.
func attr(id uint64, mode, gid uint32) []byte {
	b := make([]byte, 88)
	order.PutUint64(b, id)
	order.PutUint64(b[40:], 1e9+id) // ctime
	order.PutUint32(b[60:], mode)
	order.PutUint32(b[64:], 1)
	order.PutUint32(b[72:], gid)
	return b
}

func (e *entry) attr() []byte { return attr(e.id, unix.S_IFREG|0o660, e.gid) }

func (d *Dev) lookup(name string) ([]byte, unix.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	e := d.nodes[name]
	if e == nil {
		return nil, unix.ENOENT
	}
	b := make([]byte, 40) // valid for no time: always ask
	order.PutUint64(b, e.id)
	return append(b, e.attr()...), 0
}

func (d *Dev) getattr(id uint64) ([]byte, unix.Errno) {
	head := make([]byte, 16)
	if id == rootID {
		return append(head, attr(rootID, unix.S_IFDIR|0o755, 0)...), 0
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	e := d.ids[id]
	if e == nil {
		return nil, unix.ENOENT
	}
	return append(head, e.attr()...), 0
}

func (d *Dev) open(id uint64) ([]byte, unix.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	e := d.ids[id]
	switch {
	case e == nil || e.gone:
		return nil, unix.ENODEV
	case e.refuse != 0:
		return nil, e.refuse
	}
	return make([]byte, 16), 0
}

func (d *Dev) readdir(offset uint64, size int) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	names := make([]string, 0, len(d.nodes))
	for n := range d.nodes {
		names = append(names, n)
	}
	sort.Strings(names)
	var out []byte
	for i := int(offset); i < len(names); i++ {
		b := make([]byte, (24+len(names[i])+7)&^7)
		order.PutUint64(b, d.nodes[names[i]].id)
		order.PutUint64(b[8:], uint64(i+1))
		order.PutUint32(b[16:], uint32(len(names[i])))
		order.PutUint32(b[20:], unix.DT_REG)
		copy(b[24:], names[i])
		if len(out)+len(b) > size {
			break
		}
		out = append(out, b...)
	}
	return out
}

func (d *Dev) ioctl(id uint64, body []byte) ([]byte, unix.Errno) {
	d.mu.Lock()
	e := d.ids[id]
	gone := e == nil || e.gone
	d.mu.Unlock()
	if gone {
		return nil, unix.ESHUTDOWN
	}
	cmd, arg, size := order.Uint32(body[12:]), order.Uint64(body[16:]), order.Uint32(body[24:])
	out, errno := e.node.Ioctl(cmd, arg, body[32:32+size], int(order.Uint32(body[28:])))
	if errno != 0 {
		return nil, errno
	}
	return append(make([]byte, 16), out...), 0
}

// Memory of the asker, which is this process.

func peek(at uint64, n int) ([]byte, unix.Errno) {
	b := make([]byte, n)
	return b, move(unix.ProcessVMReadv, b, at)
}

func poke(at uint64, b []byte) unix.Errno { return move(unix.ProcessVMWritev, b, at) }

func move(call func(int, []unix.Iovec, []unix.RemoteIovec, uint) (int, error), b []byte, at uint64) unix.Errno {
	if len(b) == 0 {
		return 0
	}
	local := []unix.Iovec{{Base: &b[0]}}
	local[0].SetLen(len(b))
	n, err := call(os.Getpid(), local, []unix.RemoteIovec{{Base: uintptr(at), Len: len(b)}}, 0)
	if err != nil || n != len(b) {
		return unix.EFAULT
	}
	return 0
}
