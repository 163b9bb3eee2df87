// Command ratetable measures how often the analysis sees what is there and what is
// not, on simulated soaks of known truth, and prints the table that RATES.md holds:
//
//	go run ./daemon/analysis/ratetable > daemon/analysis/RATES.md
//
// It judges traces only; it says nothing of a rig.
package main

import (
	"flag"
	"fmt"
	"os"
)

func main() {
	seeds := flag.Int("seeds", 200, "runs of every kind")
	first := flag.Uint64("first", 1, "first seed; thresholds were looked at on seeds from 100001 on")
	flag.Parse()
	if flag.NArg() > 0 || *seeds < 1 {
		fmt.Fprintln(os.Stderr, "usage: ratetable [-seeds N] [-first SEED]")
		os.Exit(2)
	}
	if err := writeTable(os.Stdout, measureAll(*seeds, *first), *seeds, *first); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}
