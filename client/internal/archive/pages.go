package archive

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Pages are what came of a run so far, kept beside the place of its file until the file
// is there. It is client.Pages. One goroutine uses it.
//
// The file is a line that names its format, then records: length of the content and its
// CRC-32C, 32 bits each, little endian, then the content. The first record says of which
// run the pages are, the others are pages. Records are only added; what a cut left of
// one is cut off by the next reader.
type Pages struct {
	f    *os.File
	path string
	end  int64 // where the whole records end
	from int64 // where the pages begin
	err  error // of a write: what is behind end is unknown
}

const (
	pagesFormat = "soakrig-pages/1\n"
	pagesStart  = ".partial-"
	pagesEnding = ".pages"
	recordHead  = 8
	maxRecord   = 64 << 20 // a page is at most a few MiB
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// pagesOf says of which run pages are.
type pagesOf struct {
	Run   string `json:"run"` // Run.ID
	First uint64 `json:"first_seq,string"`
	Last  uint64 `json:"last_seq,string"`
}

// PagesPath is where the pages of a run stand while it is on its way.
func (a *Folder) PagesPath(run *Run) string {
	path := a.Path(run)
	return filepath.Join(filepath.Dir(path), pagesStart+run.Name()+pagesEnding)
}

// openPages opens what came of a run; pages of another run in its place, and what can't
// be read, are begun anew.
func (a *Folder) openPages(run *Run) (*Pages, error) {
	path := a.PagesPath(run)
	p := &Pages{path: path}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, fmt.Errorf("make folder: %w", err)
	}
	var err error
	if p.f, err = os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	of := pagesOf{run.ID(), run.Record.FirstSeq, run.Record.LastSeq}
	if err = p.scan(of); err == nil && p.from == 0 {
		err = p.begin(of)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", path, err), p.f.Close())
	}
	return p, nil
}

// scan finds where the pages begin and the whole records end, and cuts off the rest.
func (p *Pages) scan(want pagesOf) error {
	line := make([]byte, len(pagesFormat))
	if _, err := io.ReadFull(p.f, line); err == nil && string(line) == pagesFormat {
		err := p.records(int64(len(line)), func(content []byte, next int64) error {
			if p.from == 0 {
				var of pagesOf
				if json.Unmarshal(content, &of) != nil || of != want {
					return errOther
				}
				p.from = next
			}
			p.end = next
			return nil
		})
		if err != nil && !errors.Is(err, errOther) {
			return err
		}
	} else if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	return p.f.Truncate(p.end)
}

var errOther = errors.New("of another run")

// records gives the content of each whole record from an offset on, and where it ends.
func (p *Pages) records(from int64, fn func(content []byte, next int64) error) error {
	info, err := p.f.Stat()
	if err != nil {
		return err
	}
	r := bufio.NewReaderSize(io.NewSectionReader(p.f, from, info.Size()-from), 1<<16)
	var head [recordHead]byte
	var content []byte
	for at := from; ; {
		if _, err := io.ReadFull(r, head[:]); err != nil {
			return torn(err)
		}
		n := int64(binary.LittleEndian.Uint32(head[:]))
		if n > maxRecord || n > info.Size()-at-recordHead {
			return nil
		}
		if int64(cap(content)) < n {
			content = make([]byte, n)
		}
		content = content[:n]
		if _, err := io.ReadFull(r, content); err != nil {
			return torn(err)
		}
		if checkOf(head[:4], content) != binary.LittleEndian.Uint32(head[4:]) {
			return nil
		}
		at += recordHead + n
		if err := fn(content, at); err != nil {
			return err
		}
	}
}

// torn is nil where a file ends.
func torn(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

func checkOf(length, content []byte) uint32 {
	return crc32.Update(crc32.Checksum(length, castagnoli), castagnoli, content)
}

// begin writes the head of a new file.
func (p *Pages) begin(of pagesOf) error {
	text, err := json.Marshal(of)
	if err != nil {
		return err
	}
	if _, err := p.f.WriteAt([]byte(pagesFormat), 0); err != nil {
		return err
	}
	p.end = int64(len(pagesFormat))
	if err := p.Keep(text); err != nil {
		return err
	}
	p.from = p.end
	return syncDir(filepath.Dir(p.path))
}

// Each implements client.Pages.
func (p *Pages) Each(fn func(page []byte) error) error {
	return p.records(p.from, func(page []byte, _ int64) error { return fn(page) })
}

// Keep implements client.Pages: it returns when the page is on disk.
func (p *Pages) Keep(page []byte) error {
	if p.err != nil {
		return p.err
	}
	if len(page) > maxRecord {
		return fmt.Errorf("a page of %d bytes; at most %d", len(page), maxRecord)
	}
	record := binary.LittleEndian.AppendUint32(make([]byte, 0, recordHead+len(page)), uint32(len(page)))
	record = binary.LittleEndian.AppendUint32(record, checkOf(record, page))
	_, err := p.f.WriteAt(append(record, page...), p.end)
	if err == nil {
		err = p.f.Sync()
	}
	if err != nil {
		p.err = fmt.Errorf("write %s: %w", p.path, err)
		return p.err
	}
	p.end += recordHead + int64(len(page))
	return nil
}

// done removes the pages of a run whose file is there.
func (a *Folder) done(run *Run) error {
	if err := os.Remove(a.PagesPath(run)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove what came before: %w", err)
	}
	return nil
}

// Collect is Put for readings that come from afar: open gives them, from what came of
// the run before and then from the rig, whose answers it keeps in the Pages. What was
// kept stays when it fails, for the next Collect to go on from.
func (a *Folder) Collect(run *Run, open func(*Pages) Readings) (Outcome, error) {
	return a.put(run, func() (Readings, func() error, error) {
		p, err := a.openPages(run)
		if err != nil {
			return nil, nil, err
		}
		return open(p), p.f.Close, nil
	})
}
