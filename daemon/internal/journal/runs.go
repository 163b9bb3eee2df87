package journal

import (
	"errors"
	"fmt"
	"strconv"

	"soakrig/daemon/record"
)

// RunRow is a run as the journal keeps it.
type RunRow struct {
	Start     record.RunStart `json:"start"`
	State     string          `json:"state"` // word of the run manager; StateDamaged: the row can't be read
	StartedAt record.Stamp    `json:"started_at"`
	EndedAt   record.Stamp    `json:"ended_at"` // zero: still open
	FirstSeq  uint64          `json:"first_seq,string"`
	LastSeq   uint64          `json:"last_seq,string"` // zero: still open
	Result    *record.Result  `json:"result,omitempty"`
}

// StateDamaged is the state of a run in a list whose row does not match its
// checksum. Only Start.Run holds.
const StateDamaged = "damaged"

// PutRun stores a run, in place of one with the same id, and returns once that is
// durable.
func (j *Journal) PutRun(r RunRow) error {
	if r.Start.Run == "" {
		return errors.New("store run: it has no id")
	}
	return j.records.put("run", r.Start.Run, r, "first_seq", int64(r.FirstSeq), "unit", r.Start.Unit)
}

// Run is a stored run. Errors: ErrNoRun, ErrDamaged.
func (j *Journal) Run(id string) (RunRow, error) {
	rows, err := j.records.rows("SELECT key, d, crc FROM run WHERE key = ?", id)
	if err != nil {
		return RunRow{}, err
	}
	if len(rows) == 0 {
		return RunRow{}, fmt.Errorf("run %q: %w", id, ErrNoRun)
	}
	r, ok := runOf(rows[0])
	if !ok {
		return RunRow{}, j.records.damagedRow("run", id)
	}
	return r, nil
}

// RunFilter chooses runs. The zero value chooses all.
type RunFilter struct {
	Unit   string // empty: any
	Before string // only runs older than this one; empty: from the newest. ErrNoRun if there is no such run
	Limit  int    // most runs; zero: no limit
}

// Runs lists stored runs, newest first. A damaged one is listed with StateDamaged.
func (j *Journal) Runs(f RunFilter) ([]RunRow, error) {
	query, args := "SELECT key, d, crc FROM run WHERE 1", []any{}
	if f.Unit != "" {
		query += " AND unit = ?"
		args = append(args, f.Unit)
	}
	if f.Before != "" {
		before, err := j.Run(f.Before)
		if err != nil {
			return nil, err
		}
		query += " AND (first_seq, key) < (?, ?)"
		args = append(args, int64(before.FirstSeq), f.Before)
	}
	query += " ORDER BY first_seq DESC, key DESC"
	if f.Limit > 0 {
		query += " LIMIT " + strconv.Itoa(f.Limit)
	}
	rows, err := j.records.rows(query, args...)
	if err != nil {
		return nil, err
	}
	out := make([]RunRow, len(rows))
	for i, v := range rows {
		var ok bool
		if out[i], ok = runOf(v); !ok {
			out[i] = RunRow{Start: record.RunStart{Run: v.key}, State: StateDamaged}
		}
	}
	return out, nil
}

// PutCalibration stores a calibration, in place of one with the same ID, and
// returns once that is durable.
func (j *Journal) PutCalibration(c record.Calibration) error {
	if c.ID == "" {
		return errors.New("store calibration: it has no id")
	}
	return j.records.put("calibration", c.ID, c)
}

// Calibrations lists stored calibrations by ID. A damaged one is an error that
// wraps ErrDamaged; the others are given beside it.
func (j *Journal) Calibrations() ([]record.Calibration, error) {
	rows, err := j.records.rows("SELECT key, d, crc FROM calibration ORDER BY key")
	if err != nil {
		return nil, err
	}
	var out []record.Calibration
	for _, v := range rows {
		c, ok := calibrationOf(v)
		if !ok {
			err = errors.Join(err, j.records.damagedRow("calibration", v.key))
			continue
		}
		out = append(out, c)
	}
	return out, err
}
