package bus

import (
	"strings"
	"syscall"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// periph words the errors of its system calls without wrapping them. What callers
// branch on is put back from the text.
func restore(err error) error {
	if err == nil {
		return nil
	}
	text := err.Error()
	for _, errno := range [...]syscall.Errno{
		syscall.ENOENT, syscall.EACCES, syscall.EPERM, syscall.EBUSY, syscall.EINVAL,
		syscall.ENODEV, syscall.ENXIO, syscall.EIO, syscall.EREMOTEIO, syscall.ETIMEDOUT,
		syscall.ESHUTDOWN, syscall.EBADF, syscall.EAGAIN, syscall.EMSGSIZE, syscall.EOPNOTSUPP,
	} {
		if strings.HasSuffix(text, errno.Error()) {
			return &errnoError{err: err, errno: errno}
		}
	}
	return err
}

type errnoError struct {
	err   error
	errno syscall.Errno
}

func (e *errnoError) Error() string   { return e.err.Error() }
func (e *errnoError) Unwrap() []error { return []error{e.err, e.errno} }

type spiErrno struct{ spi.PortCloser }

func (p spiErrno) Connect(f physic.Frequency, mode spi.Mode, bits int) (spi.Conn, error) {
	c, err := p.PortCloser.Connect(f, mode, bits)
	if err != nil {
		return nil, restore(err)
	}
	return connErrno{c}, nil
}

type connErrno struct{ spi.Conn }

func (c connErrno) Tx(w, r []byte) error { return restore(c.Conn.Tx(w, r)) }

type i2cErrno struct{ i2c.BusCloser }

func (b i2cErrno) Tx(addr uint16, w, r []byte) error { return restore(b.BusCloser.Tx(addr, w, r)) }
