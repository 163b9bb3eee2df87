package nodes

import (
	"fmt"
	"os"
	"sync"

	"golang.org/x/sys/unix"
)

// Commands, from the public headers linux/spi/spidev.h, linux/i2c-dev.h and
// linux/gpio.h.
const (
	spiWriteMode = 0x40016b01
	spiMessage1  = 0x40206b00 // one transfer
	i2cFuncs     = 0x0705
	i2cRdwr      = 0x0707
	gpioChipInfo = 0x8044b401
	gpioLineInfo = 0xc100b405
	gpioLine     = 0xc250b407
	gpioSet      = 0xc010b40f
)

// SPIMessage is what an SPI node was asked to do.
type SPIMessage struct {
	Mode  byte
	Hz    uint32
	Bits  byte
	Delay uint16
	W     []byte
}

// SPI is an spidev node with a chip behind it.
type SPI struct {
	// Refuse are bits of the mode byte that the controller can't do.
	Refuse byte
	// Answer makes the reply of len(m.W) bytes, or of n if nothing is written.
	Answer func(m SPIMessage, n int) ([]byte, unix.Errno)

	mu   sync.Mutex // guards all below
	mode byte
	log  []SPIMessage
}

// Log returns the messages so far.
func (s *SPI) Log() []SPIMessage {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]SPIMessage(nil), s.log...)
}

// Ioctl implements Node.
func (s *SPI) Ioctl(cmd uint32, _ uint64, in []byte, _ int) ([]byte, unix.Errno) {
	switch cmd {
	case spiWriteMode:
		if in[0]&s.Refuse != 0 {
			return nil, unix.EINVAL
		}
		s.mu.Lock()
		s.mode = in[0]
		s.mu.Unlock()
		return nil, 0
	case spiMessage1:
		return nil, s.message(in)
	}
	return nil, unix.ENOTTY
}

// message is struct spi_ioc_transfer.
func (s *SPI) message(in []byte) unix.Errno {
	tx, rx, n := order.Uint64(in), order.Uint64(in[8:]), int(order.Uint32(in[16:]))
	s.mu.Lock()
	m := SPIMessage{Mode: s.mode, Hz: order.Uint32(in[20:]), Delay: order.Uint16(in[24:]), Bits: in[26]}
	s.mu.Unlock()
	if tx != 0 {
		var errno unix.Errno
		if m.W, errno = peek(tx, n); errno != 0 {
			return errno
		}
	}
	s.mu.Lock()
	s.log = append(s.log, m)
	s.mu.Unlock()
	r, errno := s.Answer(m, n)
	if errno != 0 || rx == 0 {
		return errno
	}
	return poke(rx, r)
}

// I2C is an i2c-dev node. Answer gets what was written to an address and how much
// is to be read; ENXIO or EREMOTEIO is an address that nobody acknowledges.
type I2C struct {
	Answer func(address uint16, w []byte, n int) ([]byte, unix.Errno)
}

// Ioctl implements Node. These commands carry no size: everything is at arg.
func (b *I2C) Ioctl(cmd uint32, arg uint64, _ []byte, _ int) ([]byte, unix.Errno) {
	switch cmd {
	case i2cFuncs:
		var funcs [8]byte
		funcs[0] = 1 // plain I2C
		return nil, poke(arg, funcs[:])
	case i2cRdwr:
		return nil, b.transfer(arg)
	}
	return nil, unix.ENOTTY
}

// transfer is struct i2c_rdwr_ioctl_data and its messages, of a 64-bit process.
func (b *I2C) transfer(arg uint64) unix.Errno {
	head, errno := peek(arg, 16)
	if errno != 0 {
		return errno
	}
	var address uint16
	var w []byte
	var into uint64
	n := 0
	at := order.Uint64(head)
	for range order.Uint32(head[8:]) {
		msg, errno := peek(at, 16)
		if errno != 0 {
			return errno
		}
		at += 16
		address = order.Uint16(msg)
		size, buf := int(order.Uint16(msg[4:])), order.Uint64(msg[8:])
		if order.Uint16(msg[2:])&1 != 0 { // read
			n, into = size, buf
			continue
		}
		if w, errno = peek(buf, size); errno != 0 {
			return errno
		}
	}
	r, errno := b.Answer(address, w, n)
	if errno != 0 || n == 0 {
		return errno
	}
	return poke(into, r)
}

// GPIO is a gpiochip node. Lines that are claimed become files of their own in the
// same folder.
type GPIO struct {
	Dev   *Dev
	Dir   string   // where Dev is mounted
	Names []string // of the lines; a name with " in use" at its end belongs to the kernel

	mu     sync.Mutex // guards below
	levels [][]byte   // of each line: the levels since it was claimed
}

// Levels returns what a line was driven to since it was claimed.
func (g *GPIO) Levels(line int) []byte {
	g.mu.Lock()
	defer g.mu.Unlock()
	if line >= len(g.levels) {
		return nil
	}
	return append([]byte(nil), g.levels[line]...)
}

func (g *GPIO) drive(line int, level byte) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for len(g.levels) <= line {
		g.levels = append(g.levels, nil)
	}
	g.levels[line] = append(g.levels[line], level)
}

const inUse = " in use"

// Ioctl implements Node.
func (g *GPIO) Ioctl(cmd uint32, _ uint64, in []byte, out int) ([]byte, unix.Errno) {
	b := make([]byte, out)
	copy(b, in)
	switch cmd {
	case gpioChipInfo:
		copy(b, "gpiochip0")
		order.PutUint32(b[64:], uint32(len(g.Names)))
		return b, 0
	case gpioLineInfo: // struct gpio_v2_line_info
		line := int(order.Uint32(in[64:]))
		if line >= len(g.Names) {
			return nil, unix.EINVAL
		}
		name := g.Names[line]
		if cut := len(name) - len(inUse); cut > 0 && name[cut:] == inUse {
			name = name[:cut]
			copy(b[32:], "spi0 CS0")
			order.PutUint64(b[72:], 1) // used
		}
		copy(b, name)
		return b, 0
	case gpioLine:
		return g.claim(b)
	}
	return nil, unix.ENOTTY
}

// claim is struct gpio_v2_line_request: one line as an output whose level is given.
func (g *GPIO) claim(b []byte) ([]byte, unix.Errno) {
	const config = 256 + 32
	line := int(order.Uint32(b))
	attrs := config + 8 + 4 + 20
	if order.Uint64(b[config:])&8 == 0 || order.Uint32(b[config+8:]) != 1 || order.Uint32(b[attrs:]) != 2 || order.Uint64(b[attrs+16:]) != 1 {
		return nil, unix.EINVAL // not an output with a level: it would go low on the way
	}
	g.drive(line, byte(order.Uint64(b[attrs+8:])&1))
	name := fmt.Sprintf("line%d", line)
	g.Dev.Add(name, &lineNode{g, line})
	f, err := os.OpenFile(g.Dir+"/"+name, os.O_RDWR, 0)
	if err != nil {
		return nil, unix.EIO
	}
	defer f.Close()
	fd, err := unix.Dup(int(f.Fd()))
	if err != nil {
		return nil, unix.EMFILE
	}
	order.PutUint32(b[len(b)-4:], uint32(fd))
	return b, 0
}

// lineNode is a claimed line.
type lineNode struct {
	chip *GPIO
	line int
}

// Ioctl implements Node.
func (l *lineNode) Ioctl(cmd uint32, _ uint64, in []byte, _ int) ([]byte, unix.Errno) {
	if cmd != gpioSet {
		return nil, unix.ENOTTY
	}
	if order.Uint64(in[8:]) != 1 {
		return nil, unix.EINVAL
	}
	l.chip.drive(l.line, in[0]&1)
	return in, 0
}
