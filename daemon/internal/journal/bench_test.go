package journal

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"soakrig/daemon/record"
)

// Budgets of the journal; each is held against a limit measured in the same run
// where it depends on the machine.
const (
	budgetCommitRatio   = 1.3 // p50 of a commit over the p50 of append + fdatasync
	budgetBytesPerValue = 1.6 // sealed
	budgetReplayPerS    = 5e6 // scans of 10 channels
	scansPerCommit      = 10  // a scan is one sample of 10 channels
	benchChannels       = 10
	warmCommits         = 3000 // until the log has wrapped and no longer grows
)

func scan(k uint64) (record.Stamp, *record.Sample) {
	at, body := entryFor(k*97 + 1) // never a mark
	s, ok := body.(*record.Sample)
	if !ok {
		at, body = entryFor(k*97 + 2)
		s = body.(*record.Sample)
	}
	at.BootNS = int64(k)*100_000_000 + int64(mix(k)%50_000)
	at.WallNS = 1_780_000_000_000_000_000 + at.BootNS + int64(mix(k+1)%200)
	at.Boot = record.BootID{1}
	for i := range s.Raw {
		s.Raw[i] = record.Raw{Has: record.HasCode | record.HasCold, AgeUS: int32(i * 100)}
		if i == 3 && k%100_000 < 2000 { // a probe is lost for a while
			s.Raw[i] = record.Raw{Faults: record.Open, AgeUS: int32(i * 100)}
		} else {
			s.Raw[i].Code = int64(5000+100*i) + int64(k/50) + int64(mix(k*16+uint64(i))%9)
			s.Raw[i].Cold = 400 + int64(k/5000)
		}
	}
	s.Source = 0
	return at, s
}

// BenchmarkCommit commits 10 scans of 10 channels at a time, turn by turn with a
// plain growing file that gets the same bytes and one fdatasync.
func BenchmarkCommit(b *testing.B) {
	dir := b.TempDir()
	j := open(b, Options{Dir: filepath.Join(dir, "journal"), Sync: time.Hour, Ballast: -1})
	defer j.Close()
	plain, err := os.Create(filepath.Join(dir, "plain"))
	if err != nil {
		b.Fatal(err)
	}
	defer plain.Close()
	var ours, theirs []time.Duration
	var buf []byte
	k := uint64(0)
	step := func() (time.Duration, time.Duration) {
		buf = buf[:0]
		for range scansPerCommit {
			at, s := scan(k)
			k++
			n := len(buf)
			buf = append(buf, make([]byte, stampBytes)...)
			putStamp(buf[n:], &at)
			if buf, err = record.AppendBody(buf, s); err != nil {
				b.Fatal(err)
			}
			if _, err := j.Append(at, s); err != nil {
				b.Fatal(err)
			}
		}
		began := time.Now()
		if _, err := plain.Write(buf); err != nil {
			b.Fatal(err)
		}
		if err := unix.Fdatasync(int(plain.Fd())); err != nil {
			b.Fatal(err)
		}
		middle := time.Now()
		j.Commit()
		if err := j.WaitDurable(b.Context(), j.State().Head); err != nil {
			b.Fatal(err)
		}
		return time.Since(middle), middle.Sub(began)
	}
	for range warmCommits {
		step()
	}
	before := j.State().Flushes
	for b.Loop() {
		a, p := step()
		ours, theirs = append(ours, a), append(theirs, p)
	}
	flushes := float64(j.State().Flushes-before) / float64(len(ours))
	q := func(d []time.Duration, share float64) time.Duration {
		d = slices.Clone(d)
		slices.Sort(d)
		return d[int(float64(len(d)-1)*share)]
	}
	own := j.State()
	ratio := float64(own.CommitP50) / float64(q(theirs[max(0, len(theirs)-512):], 0.5))
	b.ReportMetric(float64(own.CommitP50.Microseconds()), "commit-p50-us")
	b.ReportMetric(float64(own.CommitP99.Microseconds()), "commit-p99-us")
	b.ReportMetric(float64(q(ours, 0.5).Microseconds()), "ack-p50-us")
	b.ReportMetric(float64(q(ours, 0.99).Microseconds()), "ack-p99-us")
	b.ReportMetric(float64(q(theirs, 0.5).Microseconds()), "plain-p50-us")
	b.ReportMetric(float64(q(theirs, 0.99).Microseconds()), "plain-p99-us")
	b.ReportMetric(ratio, "p50-ratio")
	b.ReportMetric(flushes, "transactions/commit")
	if len(ours) >= 500 && ratio > budgetCommitRatio {
		b.Errorf("commit p50 is %.2f of append + fdatasync, at most %.2f", ratio, budgetCommitRatio)
	}
}

// fill makes a journal of n scans and closes it.
func fill(b testing.TB, dir string, n int) {
	j := open(b, Options{Dir: dir, Sync: time.Hour, Ballast: -1, RingBytes: 4 << 20})
	for k := range uint64(n) {
		at, s := scan(k)
		if _, err := j.Append(at, s); err != nil {
			b.Fatal(err)
		}
		if k%2560 == 2559 { // as much as 256 commits of 10 scans, which seals
			j.Commit()
			if err := j.WaitDurable(b.Context(), k+1); err != nil {
				b.Fatal(err)
			}
		}
	}
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkReplay reads a journal of 300,000 scans from disk, far behind the ring.
func BenchmarkReplay(b *testing.B) {
	const scans = 300_000
	dir := b.TempDir()
	fill(b, dir, scans)
	j := open(b, Options{Dir: dir, Ballast: -1})
	defer j.Close()
	sealed, err := j.sealedBytes()
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	cpu := cpuSeconds(b)
	for b.Loop() {
		r := j.NewReader(1)
		for range scans {
			if _, err := r.Next(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		r.Close()
	}
	perS := float64(b.N) * scans / b.Elapsed().Seconds()
	perCPU := float64(b.N) * scans / (cpuSeconds(b) - cpu)
	b.ReportMetric(perCPU/1e6, "Mscans/cpu-s")
	perValue := float64(sealed) / (scans * benchChannels)
	files := float64(j.State().Bytes) / (scans * benchChannels)
	b.ReportMetric(perS/1e6, "Mscans/s")
	b.ReportMetric(perValue, "sealed-B/value")
	b.ReportMetric(files, "file-B/value")
	if perCPU < budgetReplayPerS { // a busy neighbour is no fault of the journal
		b.Errorf("%.1f M scans per CPU second, at least %.0f M", perCPU/1e6, budgetReplayPerS/1e6)
	}
	if perValue > budgetBytesPerValue {
		b.Errorf("%.2f bytes per value, at most %.1f", perValue, budgetBytesPerValue)
	}
}

// cpuSeconds is what this process has used of the processor.
func cpuSeconds(b *testing.B) float64 {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// sealedBytes counts the bytes of all blocks.
func (j *Journal) sealedBytes() (n int64, err error) {
	for _, f := range j.files {
		f.mu.RLock()
		db, err := f.open()
		if err == nil {
			var m int64
			err = db.QueryRow("SELECT coalesce(sum(length(d)), 0) FROM blk").Scan(&m)
			n += m
		}
		f.mu.RUnlock()
		if err != nil {
			return 0, err
		}
	}
	return n, nil
}

// BenchmarkAppend is the cost of one scan to whoever acquires it.
func BenchmarkAppend(b *testing.B) {
	j := open(b, Options{Dir: b.TempDir(), Sync: time.Second, Ballast: -1})
	defer j.Close()
	at, s := scan(5)
	b.ReportAllocs()
	for b.Loop() {
		at.BootNS += 100_000_000
		if _, err := j.Append(at, s); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTail is one scan from Append to a reader at the head.
func BenchmarkTail(b *testing.B) {
	j := open(b, Options{Dir: b.TempDir(), Sync: time.Second, Ballast: -1})
	defer j.Close()
	r := j.NewReader(1)
	at, s := scan(5)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := j.Append(at, s); err != nil {
			b.Fatal(err)
		}
		if _, err := r.Next(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}
