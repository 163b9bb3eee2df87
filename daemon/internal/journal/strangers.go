package journal

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// errStranger: a file is not what its name and place say. Its content is right where it
// came from and wrong here, and every checksum in it holds.
var errStranger = errors.New("does not belong here")

// origin is what a file of samples says about itself; empty and 0: it can't be read, or
// a crash came before it was written.
func (f *sampleFile) origin() (id string, first uint64) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return "", 0
	}
	return originIn(db)
}

func originIn(db querier) (id string, first uint64) {
	id, err := metaOf(db, "journal")
	if err != nil {
		return "", 0
	}
	text, err := metaOf(db, "first")
	if err != nil {
		return id, 0
	}
	first, _ = parseSeq(text)
	return id, first
}

// stranger tells why a file is not one of the journal id, numbered from f.first on. What
// a file does not say is no reason.
func (f *sampleFile) stranger(db querier, id string) error {
	theirs, first := originIn(db)
	switch {
	case theirs != "" && id != "" && theirs != id:
		return fmt.Errorf("%w: it is of journal %s", errStranger, theirs)
	case first != 0 && first != f.first:
		return fmt.Errorf("%w: it is a copy of %s, or was renamed", errStranger, sampleName(first))
	}
	return nil
}

func (f *sampleFile) belongs(id string) error {
	f.mu.RLock()
	defer f.mu.RUnlock()
	db, err := f.open()
	if err != nil {
		return nil // damage is met where the file is read
	}
	return f.stranger(db, id)
}

// vote counts how many files say which journal they are of, and names the one that most do.
func (j *Journal) vote() (votes map[string]int, most string) {
	votes = map[string]int{}
	for _, f := range j.files {
		if theirs, _ := f.origin(); theirs != "" {
			if votes[theirs]++; votes[theirs] >= votes[most] {
				most = theirs
			}
		}
	}
	return votes, most
}

// settleID decides which journal this is. records says id, empty when it says nothing:
// then it is what most files say. Records that no file agrees with came from elsewhere
// and are replaced.
func (j *Journal) settleID(id string, votes map[string]int, most string) (string, error) {
	if id == "" || most == "" || votes[id] > 0 {
		return cmp.Or(id, most), nil
	}
	if err := j.records.close(); err != nil {
		return "", err
	}
	return most, j.replaceRecords(recordsName+" is of another journal, "+id+", and was set aside as ", asideStranger, most)
}

// dropStrangers sets aside files that came here by copying. Those that were only renamed
// get their names back.
func (j *Journal) dropStrangers(id string) error {
	all := j.files
	j.files = nil
	type stranger struct {
		text, aside string
		first       uint64 // 0: of another journal
		finished    bool
	}
	var strangers []stranger
	for _, f := range all {
		why := f.belongs(id)
		if why == nil {
			j.files = append(j.files, f)
			continue
		}
		s := stranger{text: fmt.Sprintf("%s %v", filepath.Base(f.path), why), finished: f.finished}
		if theirs, first := f.origin(); theirs == id {
			s.first = first
		}
		f.shut()
		var err error
		if s.aside, err = setAside(f.path); err != nil {
			return err
		}
		strangers = append(strangers, s)
	}
	for _, s := range strangers {
		back := &sampleFile{path: filepath.Join(j.opts.Dir, sampleName(s.first)), first: s.first, finished: s.finished}
		if _, err := os.Lstat(back.path); s.first == 0 || !errors.Is(err, fs.ErrNotExist) {
			j.noteStranger(s.text + "; it was set aside as " + filepath.Base(s.aside))
			continue
		}
		if err := renameDB(s.aside, back.path); err != nil {
			return err
		}
		back.bytes.Store(fileSize(back.path))
		j.files = append(j.files, back)
		j.noteStranger(s.text + "; it got its name back")
	}
	slices.SortFunc(j.files, func(a, b *sampleFile) int { return cmp.Compare(a.first, b.first) })
	return nil
}

func (j *Journal) noteStranger(text string) {
	j.log.Error("journal: " + text)
	j.event("failed", text)
}
