package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// Report is what Inspect found in a journal's folder.
type Report struct {
	Dir            string       `json:"dir"`
	ID             string       `json:"id"`
	InUse          bool         `json:"in_use"`                 // a soakd has it open
	Clean          bool         `json:"clean"`                  // it was closed in order
	Healthy        bool         `json:"healthy"`                // everything could be read and nothing is damaged
	Newer          int          `json:"newer_format,omitempty"` // a format that this build does not know: nothing of such a file was read
	Oldest         uint64       `json:"oldest,string"`
	Newest         uint64       `json:"newest,string"` // last number that can be read
	Reserved       uint64       `json:"reserved,string"`
	Entries        uint64       `json:"entries"`
	Samples        uint64       `json:"samples"`
	Values         uint64       `json:"values"` // channel readings in samples
	Unknown        uint64       `json:"unknown"`
	Bytes          int64        `json:"bytes"`        // of all files
	SealedBytes    int64        `json:"sealed_bytes"` // of sealed blocks
	SealedValues   uint64       `json:"sealed_values"`
	BytesPerValue  float64      `json:"bytes_per_value"` // sealed; 0: nothing is sealed
	First          record.Stamp `json:"first"`
	Last           record.Stamp `json:"last"`
	Files          []FileReport `json:"files"`
	Missing        []record.Gap `json:"missing"` // ranges of numbers that hold nothing
	Runs           int          `json:"runs"`
	Calibrations   int          `json:"calibrations"`
	Pins           int          `json:"pins"`
	RecordsTrouble string       `json:"records_trouble,omitempty"`
	SetAside       []string     `json:"set_aside,omitempty"` // damaged files of earlier
}

// FileReport is one file of samples.
type FileReport struct {
	Name    string `json:"name"`
	First   uint64 `json:"first,string"` // 0: empty
	Last    uint64 `json:"last,string"`
	Bytes   int64  `json:"bytes"`
	Blocks  int    `json:"blocks"`  // sealed
	Live    int    `json:"live"`    // commits not yet sealed
	Damaged int    `json:"damaged"` // rows that do not match their checksum
	Trouble string `json:"trouble,omitempty"`
}

// Inspect reads a whole journal and changes nothing in its folder, also where a
// soakd is using it or the folder lies on read-only media. Files with a log that no
// soakd is using are read from a copy in the temporary folder. The error says that
// there is no journal; what is damaged is in the report.
func Inspect(dir string) (Report, error) {
	dir, err := filepath.Abs(dir) // a URI has no relative paths
	if err != nil {
		return Report{}, fmt.Errorf("inspect journal: %w", err)
	}
	names, err := sampleFiles(dir)
	if err != nil {
		return Report{}, fmt.Errorf("inspect journal: %w%s", err, looking(err))
	}
	records := filepath.Join(dir, recordsName)
	if _, err := os.Stat(records); err != nil && len(names) == 0 {
		return Report{}, fmt.Errorf("inspect journal: %s holds neither %s nor samples-*.db; name the folder that journal.dir in rig.yaml names", dir, recordsName)
	}
	in := inspector{rep: Report{Dir: dir, InUse: inUse(dir), Healthy: true}}
	if in.tmp, err = os.MkdirTemp("", "soakd-inspect-"); err != nil {
		return Report{}, fmt.Errorf("inspect journal: %w", err)
	}
	defer os.RemoveAll(in.tmp)
	in.records(records)
	in.orphans(names)
	for _, first := range names {
		in.file(filepath.Join(dir, sampleName(first)), first)
	}
	aside, _ := filepath.Glob(filepath.Join(dir, "*.damaged-*"))
	for _, p := range aside {
		if filepath.Ext(p) != "" && !slices.Contains([]string{"-wal", "-shm"}, p[len(p)-4:]) {
			in.rep.SetAside = append(in.rep.SetAside, filepath.Base(p))
		}
	}
	in.finish()
	return in.rep, nil
}

// looking says what helps against an error of opening a folder for reading.
func looking(err error) string {
	switch {
	case errors.Is(err, unix.ENOTDIR):
		return "; name the folder that holds records.db and samples-*.db, not a file"
	case errors.Is(err, fs.ErrNotExist):
		return "; name the folder that journal.dir in rig.yaml names, or a copy of it"
	case errors.Is(err, fs.ErrPermission):
		return "; look as a user who may read it (sudo), or at a copy"
	}
	return ""
}

// known tells whether a database has a format that this build reads, and notes a newer
// one.
func (in *inspector) known(db querier) error {
	_, err := formatOf(db)
	if newer := newerError(0); errors.As(err, &newer) {
		in.rep.Newer = max(in.rep.Newer, int(newer))
	}
	return err
}

// orphans names logs whose database is gone.
func (in *inspector) orphans(names []uint64) {
	logs, _ := filepath.Glob(filepath.Join(in.rep.Dir, "samples-*.db-wal"))
	for _, p := range logs {
		name := strings.TrimSuffix(filepath.Base(p), "-wal")
		if first, ok := sampleFirst(name); ok && !slices.Contains(names, first) {
			in.rep.Healthy = false
			in.rep.Files = append(in.rep.Files, FileReport{Name: name, Trouble: "the file is gone; its log is here"})
		}
	}
}

// inUse tells whether a soakd holds the folder.
func inUse(dir string) bool {
	f, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		return false
	}
	defer f.Close()
	if err := unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB); err != nil {
		return true
	}
	return false
}

type inspector struct {
	rep    Report
	tmp    string
	gaps   []record.Gap // that the journal recorded
	next   uint64       // number expected next; 0: none seen
	clean  []uint64
	closed uint64 // last number when the journal was closed, by records.db; 0: it was not
	r      record.BlockReader
}

// openReading opens a database without changing its folder.
func (in *inspector) openReading(path string) (db closableQuerier, err error) {
	if in.rep.InUse {
		return openDB(path, openRead)
	}
	info, err := os.Stat(path + "-wal")
	if err != nil || info.Size() == 0 {
		return openDB(path, openImmutable)
	}
	to := filepath.Join(in.tmp, filepath.Base(path))
	if err := errors.Join(copyFile(to, path), copyFile(to+"-wal", path+"-wal")); err != nil {
		return nil, err
	}
	return openDB(to, openRead)
}

type closableQuerier interface {
	querier
	Close() error
}

func copyFile(to, from string) error {
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer src.Close()
	dst, err := os.Create(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(dst, src)
	return errors.Join(err, dst.Close())
}

func (in *inspector) records(path string) {
	in.rep.Bytes += fileSize(path)
	r := records{path: path}
	db, err := in.openReading(path)
	if err == nil {
		defer db.Close()
		if err = in.known(db); err == nil {
			err = quickCheck(db)
		}
		if err == nil {
			err = in.tables(db, &r)
		}
	}
	if err != nil {
		in.rep.Healthy = false
		in.rep.RecordsTrouble = err.Error()
	}
}

func (in *inspector) tables(db querier, r *records) error {
	count := func(table string, each func(v row)) error {
		rows, err := rowsOf(db, r.path, "SELECT key, d, crc FROM "+table)
		if err != nil {
			return err
		}
		for _, v := range rows {
			if !v.sound(table) {
				return r.damagedRow(table, v.key)
			}
			each(v)
		}
		return nil
	}
	return errors.Join(
		count("run", func(row) { in.rep.Runs++ }),
		count("calibration", func(row) { in.rep.Calibrations++ }),
		count("pin", func(row) { in.rep.Pins++ }),
		count("gap", func(v row) {
			if g, ok := gapOf(v); ok {
				in.gaps = append(in.gaps, g)
			}
		}),
		count("meta", func(v row) {
			text, _ := decodeRow[string](v)
			switch v.key {
			case "journal":
				in.rep.ID = text
			case "reserved", "clean":
				n, _ := parseSeq(text)
				if v.key == "clean" {
					in.clean, in.closed = append(in.clean, n), n
				}
				in.rep.Reserved = max(in.rep.Reserved, n)
			}
		}),
	)
}

func (in *inspector) file(path string, first uint64) {
	rep := FileReport{Name: filepath.Base(path), Bytes: fileSize(path)}
	in.rep.Bytes += rep.Bytes
	db, err := in.openReading(path)
	if err == nil {
		if err = in.known(db); err == nil {
			err = in.content(db, path, first, &rep)
		}
		db.Close()
	}
	if err != nil {
		rep.Trouble = err.Error()
	}
	if err != nil || rep.Damaged > 0 {
		in.rep.Healthy = false
	}
	in.rep.Files = append(in.rep.Files, rep)
}

// content reads all of a file of samples.
func (in *inspector) content(db querier, path string, first uint64, rep *FileReport) error {
	err := quickCheck(db)
	if id, merr := metaOf(db, "journal"); merr == nil && in.rep.ID == "" {
		in.rep.ID = id
	}
	if v, merr := metaOf(db, "clean"); merr == nil && v != "" {
		n, _ := parseSeq(v)
		in.clean = append(in.clean, n)
	}
	f := &sampleFile{path: path, first: first}
	if serr := f.stranger(db, in.rep.ID); serr != nil {
		return errors.Join(err, serr)
	}
	err = errors.Join(err, in.rows(db, f, rep))
	rep.Damaged = f.damagedRows()
	return err
}

// rows reads every row in order of numbers: sealed blocks, then live rows.
func (in *inspector) rows(db querier, f *sampleFile, rep *FileReport) error {
	for _, table := range []string{"blk", "live"} {
		rows, err := db.QueryContext(context.Background(), "SELECT seq, d FROM "+table+" ORDER BY seq")
		if err != nil {
			return err
		}
		for rows.Next() {
			var seq int64
			var d []byte
			if err := rows.Scan(&seq, &d); err != nil {
				rows.Close()
				return err
			}
			if first, _, err := record.CheckBlock(d); err != nil || first != uint64(seq) {
				f.damaged(table, seq)
				continue
			}
			if err := in.block(d, table == "blk", rep); err != nil {
				f.damaged(table, seq)
			}
		}
		err = rows.Err()
		rows.Close()
		if err != nil {
			return err
		}
	}
	return nil
}

func (in *inspector) block(d []byte, sealed bool, rep *FileReport) error {
	if err := in.r.Reset(d); err != nil {
		return err
	}
	first := in.r.First()
	last := first + uint64(in.r.Len()) - 1
	if in.next != 0 && last < in.next { // a block beside the live rows it was packed from
		return nil
	}
	if in.next != 0 && first > in.next {
		in.miss(in.next, first-1)
	}
	values := uint64(0)
	for in.r.Scan() {
		if in.rep.Entries == 0 {
			in.rep.First = in.r.Stamp()
		}
		in.rep.Entries++
		if s := in.r.Sample(); s != nil {
			in.rep.Samples++
			values += uint64(len(s.Raw))
		} else if b, err := record.DecodeBody(in.r.Encoded()); err != nil {
			return err
		} else if _, unknown := b.(*record.Unknown); unknown {
			in.rep.Unknown++
		}
		in.rep.Last = in.r.Stamp()
	}
	if sealed {
		rep.Blocks++
		in.rep.SealedBytes += int64(len(d))
		in.rep.SealedValues += values
	} else {
		rep.Live++
	}
	in.rep.Values += values
	if rep.First == 0 {
		rep.First = first
	}
	if in.rep.Oldest == 0 {
		in.rep.Oldest = first
	}
	rep.Last, in.next = last, last+1
	return in.r.Err()
}

// miss notes a hole with the cause that the journal recorded for it, if it did.
func (in *inspector) miss(from, to uint64) {
	g := record.Gap{From: from, To: to, Cause: CauseDamaged, Text: "not found in the journal's files"}
	for _, k := range in.gaps {
		if k.From <= from && to <= k.To {
			g.Cause, g.Text = k.Cause, k.Text
		}
	}
	if g.Cause == CauseDamaged {
		in.rep.Healthy = false
	}
	in.rep.Missing = append(in.rep.Missing, g)
}

func (in *inspector) finish() {
	r := &in.rep
	if in.next != 0 {
		r.Newest = in.next - 1
	}
	var before []record.Gap // numbers in front of what can be read
	for _, g := range in.gaps {
		if g.To < r.Oldest && g.Cause != CauseRetention {
			before = append(before, g)
		}
	}
	r.Missing = append(before, r.Missing...)
	if in.closed > r.Newest {
		in.miss(r.Newest+1, in.closed)
	}
	r.Clean = len(in.clean) >= 2 && in.clean[0] == in.clean[len(in.clean)-1]
	if r.SealedValues > 0 {
		r.BytesPerValue = float64(r.SealedBytes) / float64(r.SealedValues)
	}
}
