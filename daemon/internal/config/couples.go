package config

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strings"

	"soakrig/daemon/record"
	"soakrig/drivers/its90"
)

// use is a temperature at which a channel is judged.
type use struct {
	degC float64
	what string // "limits.probe"
}

// uses lists at which temperatures a channel is judged.
func (k *checker) uses(name string, ch *Channel) []use {
	var all []use
	add := func(degC *float64, what string) {
		if degC != nil {
			all = append(all, use{*degC, what})
		}
	}
	l := k.c.Limits
	role := record.Role(ch.Role)
	if role == "" {
		role = record.RoleProbe // what a thermocouple is when nothing is said
	}
	if role == record.RoleProbe {
		add(l.Probe, "limits.probe")
		if k.c.Interlock != nil {
			add(k.c.Interlock.DropAbove, "interlock.drop_above")
		}
	}
	if l.Ambient != nil && (role == record.RoleProbe || role == record.RoleAmbient) {
		what := "limits.ambient"
		if role == record.RoleProbe {
			what += ", where a probe is before the load,"
		}
		add(&l.Ambient[0], what)
		add(&l.Ambient[1], what)
	}
	for i, lim := range l.List {
		if (lim.Channel == name || lim.Role != "" && record.Role(lim.Role) == role) && (lim.Quantity == "" || lim.Quantity == "value") {
			add(lim.Bound, fmt.Sprintf("limits.list[%d].bound", i))
		}
	}
	return all
}

// couple refuses a thermocouple that can't answer, or whose tolerance class says
// nothing, where its channel is judged. Channels that name neither are left alone:
// they may be no thermocouples.
func (k *checker) couple(path, name string, ch *Channel) {
	if ch.Couple == "" && ch.Class == "" {
		return
	}
	letter := ch.Couple
	if letter == "" {
		letter = "K" // what a thermocouple is when nothing is said
	}
	couple, err := its90.ParseType(letter)
	if err != nil {
		k.bad(path+".couple", "%s", strings.TrimPrefix(err.Error(), "its90: "))
		ch.Couple = "" // as if it named none, for who judges the file after this
		return
	}
	class := its90.Class(0)
	if ch.Class != "" {
		if class, err = its90.ParseClass(ch.Class); err != nil {
			k.bad(path+".class", "%s", strings.TrimPrefix(err.Error(), "its90: "))
			return
		}
		if _, _, ok := classRange(couple, class); !ok {
			k.bad(path+".class", "there is no class %v for type %v: there are %s", class, couple, classesOf(couple))
			return
		}
	}
	lowC, highC := couple.InvertibleRange()
	for _, u := range k.uses(name, ch) {
		switch low, high, ok := classRange(couple, class); {
		case u.degC < lowC || u.degC > highC:
			k.bad(path+".couple", "type %v answers from %g to %g degC; %s is %g degC: use another couple", couple, lowC, highC, u.what, u.degC)
			return
		case ok && (u.degC < low || u.degC > high):
			k.bad(path+".class", "class %v of type %v promises something from %g to %g degC; %s is %g degC: use a class or couple that covers it (there are %s)",
				class, couple, low, high, u.what, u.degC, classesOf(couple))
			return
		case !ok && !covered(couple, u.degC):
			k.bad(path+".couple", "no tolerance class of type %v covers %g degC, %s: use another couple (there are %s)", couple, u.degC, u.what, classesOf(couple))
			return
		}
	}
}

// classRange is where a class promises something for a couple; ok is false when the
// couple has no such class.
func classRange(couple its90.Type, class its90.Class) (lowC, highC float64, ok bool) {
	var outside *its90.RangeError
	if _, _, err := its90.Tolerance(couple, class, math.NaN()); !errors.As(err, &outside) {
		return 0, 0, false
	}
	return outside.Min, outside.Max, true
}

func covered(couple its90.Type, degC float64) bool {
	for class := its90.IECClass1; class.Valid(); class++ {
		if low, high, ok := classRange(couple, class); ok && degC >= low && degC <= high {
			return true
		}
	}
	return false
}

// classesOf words the classes of a couple.
func classesOf(couple its90.Type) string {
	var all []string
	for class := its90.IECClass1; class.Valid(); class++ {
		if low, high, ok := classRange(couple, class); ok {
			all = append(all, fmt.Sprintf("%v from %g to %g degC", class, low, high))
		}
	}
	sort.Strings(all)
	return strings.Join(all, ", ")
}
