package speed

import "testing"

// BenchmarkBudget measures every row; each puts what it found into the table that is
// printed at the end.
func BenchmarkBudget(b *testing.B) {
	for _, r := range []struct {
		name string
		run  func(*testing.B)
	}{
		{"reference", benchReference},
		{"stream", benchStream},
		{"fanout", benchFanOut},
		{"catchup", benchCatchUp},
		{"commit", benchCommit},
		{"replay", benchReplay},
		{"page", benchPage},
		{"night", benchNight},
		{"compare", benchCompare},
		{"open", benchOpen},
		{"start", benchStart},
		{"size", benchSize},
	} {
		b.Run(r.name, r.run)
	}
}
