package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"
)

// openError says why a port could not be opened: which ports there are if the name
// is wrong, who may open it if that is the trouble.
func (h *Host) openError(kind, name string, err error) error {
	if in := (*fs.PathError)(nil); errors.As(err, &in) && in.Op == "open" && in.Path == name {
		err = in.Err // it names what is named here
	}
	err = fmt.Errorf("open %s: %w", name, err)
	if errors.Is(err, fs.ErrPermission) {
		if who := permission(h.pathOf(kind, name)); who != "" {
			return fmt.Errorf("%w; %s", err, who)
		}
		return err
	}
	if errors.Is(err, syscall.EBUSY) {
		return fmt.Errorf("%w; another program or a kernel driver holds it", err)
	}
	list, note := h.listed(kind, name)
	if note != "" {
		return fmt.Errorf("%w; it exists, but %s", err, note)
	}
	return fmt.Errorf("%w; %s", err, list)
}

// pathOf returns the device node of a port, as far as it is known.
func (h *Host) pathOf(kind, name string) string {
	for _, p := range h.ports.Names() {
		if p.Kind == kind && p.Path != "" && canonical(p.Name) == canonical(name) {
			return p.Path
		}
	}
	if strings.HasPrefix(name, "/") {
		return name
	}
	return ""
}

// listed words what ports of a kind there are, and what is known against this one.
func (h *Host) listed(kind, name string) (list, note string) {
	var names []string
	for _, p := range h.ports.Names() {
		if p.Kind != kind {
			continue
		}
		if canonical(p.Name) == canonical(name) {
			note = p.Note
		}
		if p.Note != "" {
			names = append(names, p.Name+" ("+p.Note+")")
		} else {
			names = append(names, p.Name)
		}
	}
	const most = 40
	switch {
	case len(names) == 0:
		return "this system has no " + kind + " port; enable it in the system's settings (device tree), then restart", note
	case len(names) > most:
		names = append(names[:most], "...")
	}
	return kind + " ports here: " + strings.Join(names, ", "), note
}

func (h *Host) stamp(name string) string {
	if s, ok := h.ports.(Stamper); ok {
		return s.Stamp(name)
	}
	return ""
}

// vanished tells whether err means that the device behind a port is gone, so that
// the port must be opened again. An I/O error alone may be a chip that does not
// answer; then the node's stamp decides.
func vanished(err error, before string, stamp func(string) string, name string) bool {
	switch {
	case errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ESHUTDOWN), errors.Is(err, syscall.EBADF):
		return true
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENOENT):
		return stamp(name) != before
	}
	return false
}
