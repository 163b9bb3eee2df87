package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// Edge is one change of a GPIO input.
type Edge struct {
	At     time.Duration // CLOCK_MONOTONIC, stamped by the kernel's interrupt handler
	Rising bool
	Seq    uint32 // counts the line's edges from 1; a gap says that some were lost
}

// EdgeOptions sets up an input whose edges are wanted.
type EdgeOptions struct {
	Debounce time.Duration // the kernel reports a level once it held this long; 0: every edge
	Bias     string        // "pull-up", "pull-down", "none"; empty: as the line is
}

// Edges is an input that keeps its edges until they are read. Read and Now belong to
// one goroutine; Close may be called at any time.
type Edges interface {
	// Read fills dst with the edges that have come since the last call, oldest first,
	// and never waits for one: 0, nil says that there are none.
	Read(dst []Edge) (int, error)
	// Now is the time on the clock that stamps the edges.
	Now() time.Duration
	Close() error
}

// EdgePorts is implemented by Ports whose GPIO inputs can keep their edges.
type EdgePorts interface {
	Edges(name string, o EdgeOptions) (Edges, error)
}

// Edges claims a GPIO line as an input whose edges are kept.
func (h *Host) Edges(name string, o EdgeOptions) (Edges, error) {
	p, ok := h.ports.(EdgePorts)
	if !ok {
		return nil, fmt.Errorf("edges of pin %s: these ports have no lines that keep edges: %w", name, errors.ErrUnsupported)
	}
	if h.isClosed() {
		return nil, fmt.Errorf("edges of pin %s: host %w", name, ErrClosed)
	}
	e, err := p.Edges(name, o)
	if err != nil {
		return nil, h.openError("gpio", name, err)
	}
	return e, nil
}

// EdgeSize is the size in bytes of one struct gpio_v2_line_event of the kernel's
// public header linux/gpio.h.
const EdgeSize = 48

// DecodeEdge decodes one such event in this machine's byte order: timestamp_ns,
// id (1 rising, 2 falling), offset, seqno, line_seqno.
func DecodeEdge(p []byte) (Edge, error) {
	if len(p) != EdgeSize {
		return Edge{}, fmt.Errorf("an edge has %d bytes, not %d", EdgeSize, len(p))
	}
	id := binary.NativeEndian.Uint32(p[8:])
	if id != 1 && id != 2 {
		return Edge{}, fmt.Errorf("edge event of unknown kind %d", id)
	}
	return Edge{At: time.Duration(binary.NativeEndian.Uint64(p)), Rising: id == 1, Seq: binary.NativeEndian.Uint32(p[20:])}, nil
}
