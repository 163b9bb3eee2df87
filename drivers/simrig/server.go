package simrig

import (
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
)

// server speaks Modbus TCP on a loopback socket (MODBUS Messaging on TCP/IP
// Implementation Guide V1.0b: transaction, protocol 0, length, unit, then the
// request) and leaves the answers to answer.
type server struct {
	listener net.Listener
	answer   func(unit byte, pdu []byte) []byte
	running  sync.WaitGroup

	mu     sync.Mutex // guards what follows
	conns  map[net.Conn]bool
	closed bool
}

func newServer(answer func(unit byte, pdu []byte) []byte) (*server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	s := &server{listener: l, answer: answer, conns: map[net.Conn]bool{}}
	s.running.Go(s.accept)
	return s, nil
}

func (s *server) accept() {
	for {
		c, err := s.listener.Accept()
		if err != nil {
			return // closed: nothing else ends a loopback listener
		}
		s.mu.Lock()
		if s.closed {
			c.Close()
		} else {
			s.conns[c] = true
			s.running.Go(func() { s.talk(c) })
		}
		s.mu.Unlock()
	}
}

// talk answers one connection until it ends or sends what is no Modbus frame.
func (s *server) talk(c net.Conn) {
	defer func() {
		c.Close()
		s.mu.Lock()
		delete(s.conns, c)
		s.mu.Unlock()
	}()
	var head [7]byte
	var pdu [253]byte
	for {
		if _, err := io.ReadFull(c, head[:]); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(head[4:])) - 1
		if binary.BigEndian.Uint16(head[2:]) != 0 || n < 1 || n > len(pdu) {
			return
		}
		if _, err := io.ReadFull(c, pdu[:n]); err != nil {
			return
		}
		reply := s.answer(head[6], pdu[:n])
		if reply == nil {
			continue
		}
		frame := append(head[:4:4], 0, 0, head[6])
		binary.BigEndian.PutUint16(frame[4:], uint16(len(reply)+1))
		if _, err := c.Write(append(frame, reply...)); err != nil {
			return
		}
	}
}

// close ends everything and waits for it.
func (s *server) close() error {
	s.mu.Lock()
	s.closed = true
	err := s.listener.Close()
	for c := range s.conns {
		c.Close()
	}
	s.mu.Unlock()
	s.running.Wait()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
