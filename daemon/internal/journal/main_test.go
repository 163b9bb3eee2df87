package journal

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// Trials of the long forms, for example
//
//	go test ./daemon/internal/journal -run 'Kill|PowerCut' -kills 1000 -cuts 100 -timeout 2h
//	go test ./daemon/internal/journal -run 'Day|Damage|Sectors|Headers' -hours 24 -damages 20
var (
	kills   = flag.Int("kills", 40, "times that TestKill kills a writer")
	hours   = flag.Int("hours", 3, "hours of rig time that TestDay runs")
	damages = flag.Int("damages", 1, "how many times as many trials TestDamage makes")
	cuts    = flag.Int("cuts", 20, "power cuts that each case of TestPowerCut makes")
)

// helpers are what the test binary does when it is started as another process.
var helpers = map[string]func(args []string) error{
	"write": writeUntilKilled,
	"card":  serveCard,
}

func TestMain(m *testing.M) {
	if name := os.Getenv("JOURNAL_TEST_HELPER"); name != "" {
		if err := helpers[name](os.Args[1:]); err != nil {
			fmt.Fprintln(os.Stderr, name+":", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}
