package rpc

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"time"
)

// NewToken makes a token of 256 random bits for a person or a script, and the line
// that lets it in: "role name sha256:hash". Only the line belongs on the rig.
func NewToken(role Role, name string) (token, line string, err error) {
	if role != RoleObserve && role != RoleOperate {
		return "", "", fmt.Errorf("role %v: want observe or operate", role)
	}
	if name == "" || strings.ContainsAny(name, " \t\r\n#") {
		return "", "", fmt.Errorf("name %q: want one word", name)
	}
	var raw [32]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", "", fmt.Errorf("make a token: %w", err)
	}
	token = base64.RawURLEncoding.EncodeToString(raw[:])
	hash := sha256.Sum256([]byte(token))
	return token, fmt.Sprintf("%s %s sha256:%s", role, name, hex.EncodeToString(hash[:])), nil
}

// tokenFile is the file of token hashes, read again when it changes. A hash without
// salt is enough since tokens are random bits, not words that people choose.
type tokenFile struct {
	path string
	seen fileStamp                  // of the last look; used by one goroutine
	list atomic.Pointer[[]identity] // in force
}

// refresh reads the file if it changed since the last look. With an error the
// identities of before stay; the same version of the file is not tried again.
func (t *tokenFile) refresh() (changed bool, err error) {
	stamp, err := stampOf(t.path)
	if stamp == t.seen && err == nil {
		return false, nil
	}
	if err != nil && t.seen == (fileStamp{missing: true}) {
		return false, nil // said already
	}
	t.seen = stamp
	if err != nil {
		return false, err
	}
	text, err := os.ReadFile(t.path)
	if err != nil {
		return false, err
	}
	list, err := parseTokens(t.path, text)
	if err != nil {
		return false, err
	}
	t.list.Store(&list)
	return true, nil
}

func parseTokens(path string, text []byte) ([]identity, error) {
	var list []identity
	var bad []error
	scan := bufio.NewScanner(bytes.NewReader(text))
	for line := 1; scan.Scan(); line++ {
		content, _, _ := strings.Cut(scan.Text(), "#")
		fields := strings.Fields(content)
		if len(fields) == 0 {
			continue
		}
		id, err := parseIdentity(fields)
		if err != nil {
			bad = append(bad, fmt.Errorf("%s:%d: %w; want: role name sha256:hash, made by soakd token", path, line, err))
			continue
		}
		list = append(list, id)
	}
	if err := scan.Err(); err != nil {
		bad = append(bad, fmt.Errorf("%s: %w", path, err))
	}
	return list, errors.Join(bad...)
}

func parseIdentity(fields []string) (id identity, err error) {
	if len(fields) != 3 {
		return id, fmt.Errorf("%d words", len(fields))
	}
	switch fields[0] {
	case RoleObserve.String():
		id.role = RoleObserve
	case RoleOperate.String():
		id.role = RoleOperate
	default:
		return id, fmt.Errorf("%q is neither observe nor operate", fields[0])
	}
	digits, ok := strings.CutPrefix(fields[2], "sha256:")
	hash, err := hex.DecodeString(digits)
	if !ok || err != nil || len(hash) != sha256.Size {
		// What stands there may be a token itself: it is not repeated.
		return id, errors.New("the third word is not sha256: and 64 hexadecimal digits")
	}
	id.name, id.token = fields[1], (*[32]byte)(hash)
	return id, nil
}

// find looks a token up, in a time that does not depend on it.
func (t *tokenFile) find(token string) (identity, bool) {
	hash := sha256.Sum256([]byte(token))
	return t.byHash(&hash)
}

func (t *tokenFile) byHash(hash *[32]byte) (found identity, ok bool) {
	list := t.list.Load()
	if list == nil {
		return identity{}, false
	}
	for _, id := range *list {
		if subtle.ConstantTimeCompare(id.token[:], hash[:]) == 1 && id.role > found.role {
			found, ok = id, true
		}
	}
	return found, ok
}

// fileStamp tells versions of a file apart.
type fileStamp struct {
	mod     time.Time
	size    int64
	missing bool
}

func stampOf(path string) (fileStamp, error) {
	info, err := os.Stat(path)
	if err != nil {
		return fileStamp{missing: true}, err
	}
	return fileStamp{mod: info.ModTime(), size: info.Size()}, nil
}
