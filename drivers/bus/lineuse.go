package bus

import (
	"fmt"
	"path/filepath"
	"strings"
)

// LineUse says how a source means to use a line: a serial one, or a network address
// behind which one may be.
type LineUse struct {
	Source   string // who it is, for the refusal of the next one
	Protocol string // "Modbus RTU"; one line speaks one
	Settings string // what the users of a line must agree on, for instance "9600 8N1"
	Together bool   // several sources may take turns: the protocol has addresses, or connections of its own
}

// lineUsers are who uses a line now.
type lineUsers struct {
	use    LineUse // of the first
	count  int
	common any // what they share
}

// JoinLine notes that a source will use a line, before anything is opened, and returns
// what the line's users have in common, which build makes for the first. It refuses
// what does not go together with an earlier use: another protocol, other settings, or
// a second user where there can be one. leave gives the line back and says whether
// this was the last user; calling it again does nothing. build must not call the host.
func (h *Host) JoinLine(port string, use LineUse, build func() any) (common any, leave func() (last bool), err error) {
	key := lineKey(port)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, nil, fmt.Errorf("%s: host %w", port, ErrClosed)
	}
	l := h.lines[key]
	if l == nil {
		l = &lineUsers{use: use}
		if build != nil {
			l.common = build()
		}
		h.lines[key] = l
	} else if err := l.use.refuse(port, use); err != nil {
		return nil, nil, err
	}
	l.count++
	gone := false
	return l.common, func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		if gone {
			return false
		}
		gone = true
		if l.count--; l.count > 0 {
			return false
		}
		delete(h.lines, key)
		return true
	}, nil
}

// refuse says why next can't use a line beside u; nil if it can.
func (u LineUse) refuse(port string, next LineUse) error {
	who := "another source"
	if u.Source != "" {
		who = "source " + u.Source
	}
	switch {
	case u.Protocol != next.Protocol:
		return fmt.Errorf("%s speaks %s for %s already, and this source wants %s: one line, one protocol; move one of them to a line of its own",
			port, u.Protocol, who, next.Protocol)
	case !u.Together || !next.Together:
		return fmt.Errorf("%s is %s's already, and %s has no addresses by which two sources could take turns: put all inputs into one source", port, who, u.Protocol)
	case u.Settings != next.Settings:
		return fmt.Errorf("%s is set to %s for %s, and this source wants %s: all devices on one line share speed, frame and echo", port, u.Settings, who, next.Settings)
	}
	return nil
}

// lineKey gives one name to the names of a line: links to one device node are one
// line, and so are the spellings of an address.
func lineKey(port string) string {
	if strings.HasPrefix(port, "/") {
		if real, err := filepath.EvalSymlinks(port); err == nil {
			return real
		}
		return filepath.Clean(port) // not plugged in
	}
	return strings.ToLower(strings.TrimPrefix(port, "tcp://"))
}
