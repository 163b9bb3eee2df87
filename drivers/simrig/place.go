package simrig

import (
	"math"
	"strconv"
	"strings"
)

// placeKind is where a probe can be.
type placeKind int

const (
	placeNone placeKind = iota
	placeStage
	placeRoom
	placeIntake
	placeExhaust
	placeElectronics
)

// Indices of the places in history: stages first.
const (
	atRoom = maxStages + iota
	atIntake
	atExhaust
	atElectronics
	atLoaded // no place: 1 while the load runs
	places
)

// parsePlace returns the index of a place and its kind; placeNone: no such place.
func parsePlace(name string) (int, placeKind) {
	switch name {
	case "room":
		return atRoom, placeRoom
	case "intake":
		return atIntake, placeIntake
	case "exhaust":
		return atExhaust, placeExhaust
	case "electronics":
		return atElectronics, placeElectronics
	}
	if digits, ok := strings.CutPrefix(name, "stage "); ok {
		if n, err := strconv.Atoi(digits); err == nil && n >= 1 && n <= maxStages {
			return n - 1, placeStage
		}
	}
	return -1, placeNone
}

// depth is how many steps of bead temperatures are kept: 2 s, more than the
// slowest converter looks back.
const depth = 8

// history is what the beads felt at the ends of the last steps.
type history struct {
	ring [depth][places]float64
	n    int64 // steps taken; ring[n%depth] is the newest
}

func (h *history) newest() *[places]float64 { return &h.ring[h.n&(depth-1)] }

// push starts the next step's entry as a copy of the newest and returns it.
func (h *history) push() *[places]float64 {
	last := h.newest()
	h.n++
	next := h.newest()
	*next = *last
	return next
}

// fill makes the past as v is.
func (h *history) fill(v *[places]float64) {
	for i := range h.ring {
		h.ring[i] = *v
	}
}

// at is a bead's temperature at rig time tS, one step late so that both
// neighbours are known, and linear between them. Older than what is kept: the
// oldest.
func (h *history) at(place int, tS float64) float64 {
	pos := tS/stepS - 1
	i := math.Floor(pos)
	frac := pos - i
	k := int64(i)
	if k >= h.n {
		k, frac = h.n, 0
	} else if k < h.n-depth+1 {
		k, frac = h.n-depth+1, 0
	}
	a := h.ring[k&(depth-1)][place]
	if frac == 0 {
		return a
	}
	return a + frac*(h.ring[(k+1)&(depth-1)][place]-a)
}
