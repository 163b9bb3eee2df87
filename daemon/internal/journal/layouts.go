package journal

import (
	"errors"
	"fmt"
	"strconv"

	"soakrig/daemon/record"
)

// ErrNoLayout: no layout with that ID was stored.
var ErrNoLayout = errors.New("no such layout")

const layoutPrefix = "layout "

func layoutKey(id uint32) string { return layoutPrefix + strconv.FormatUint(uint64(id), 10) }

// PutLayout stores a layout so that readers who begin behind its entry can find it
// by ID, and returns once that is durable. Storing it again does nothing.
func (j *Journal) PutLayout(l *record.Layout) error {
	if l.ID == 0 {
		return errors.New("store layout: it has no id")
	}
	if _, err := j.Layout(l.ID); err == nil {
		return nil
	}
	return j.records.put("meta", layoutKey(l.ID), l)
}

// Layout is a layout that PutLayout stored. Errors: ErrNoLayout, ErrDamaged.
func (j *Journal) Layout(id uint32) (*record.Layout, error) {
	rows, err := j.records.rows("SELECT key, d, crc FROM meta WHERE key = ?", layoutKey(id))
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("layout %d: %w", id, ErrNoLayout)
	}
	l, ok := layoutOf(rows[0])
	if !ok {
		return nil, j.records.damagedRow("layout", strconv.FormatUint(uint64(id), 10))
	}
	return &l, nil
}
