package remotewrite

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protowire"

	"soakrig/daemon/record"
)

// label is a name and its value.
type label struct{ name, value string }

// series is one time series as the receiver knows it.
type series struct {
	key     string  // name and labels in one, for sorting and grouping
	labels  []label // sorted by name, none empty
	v1      []byte  // labels as TimeSeries fields of protocol 1
	counter bool
	unit    string
	help    string
}

// newSeries names the series of a channel. The names differ from those of the page,
// so that scraped and written values are never taken for one series.
func newSeries(ch *record.Channel, rig string, more map[string]string) *series {
	s := &series{help: "Every good reading of the channel, with its own time."}
	name := "soakrig_sample_" + string(ch.Kind)
	switch ch.Kind {
	case record.Temperature:
		s.unit = "celsius"
	case record.Power:
		s.unit = "watts"
	case record.Voltage:
		s.unit = "volts"
	case record.Current:
		s.unit = "amperes"
	case record.Frequency:
		s.unit = "hertz"
	case record.Energy:
		s.unit, s.counter = "joules", true
	default:
		name = "soakrig_sample_other_reading"
	}
	if s.unit != "" {
		name += "_" + s.unit
	}
	if s.counter {
		name += "_total"
	}
	set := map[string]string{"rig": rig}
	maps.Copy(set, more)
	set["__name__"], set["channel"], set["role"] = name, ch.Name, string(ch.Role)
	for k, v := range set {
		if v = strings.ToValidUTF8(v, "\uFFFD"); v != "" {
			s.labels = append(s.labels, label{k, v})
		}
	}
	slices.SortFunc(s.labels, func(a, b label) int { return cmp.Compare(a.name, b.name) })
	var key strings.Builder
	for _, l := range s.labels {
		key.WriteString(l.name + "\xff" + l.value + "\xff")
		var field []byte
		field = protowire.AppendTag(field, 1, protowire.BytesType)
		field = protowire.AppendString(field, l.name)
		field = protowire.AppendTag(field, 2, protowire.BytesType)
		field = protowire.AppendString(field, l.value)
		s.v1 = protowire.AppendTag(s.v1, 1, protowire.BytesType)
		s.v1 = protowire.AppendBytes(s.v1, field)
	}
	s.key = key.String()
	return s
}

// sortSamples puts samples of one series together, in order of time. Two lanes or
// two layouts may hold a series twice: its key counts.
func sortSamples(all []sample) {
	slices.SortStableFunc(all, func(a, b sample) int {
		if a.series != b.series {
			if c := strings.Compare(a.series.key, b.series.key); c != 0 {
				return c
			}
		}
		return cmp.Compare(a.ms, b.ms)
	})
}

// groups calls f with the samples of each series; all must be sorted.
func groups(all []sample, f func(of *series, samples []sample)) {
	for i := 0; i < len(all); {
		j := i + 1
		for j < len(all) && (all[j].series == all[i].series || all[j].series.key == all[i].series.key) {
			j++
		}
		f(all[i].series, all[i:j])
		i = j
	}
}

// appendSamples appends samples as fields number 2: double value = 1, int64
// timestamp = 2 (the same in both protocols).
func appendSamples(dst []byte, samples []sample) []byte {
	for _, s := range samples {
		n := 9 + 1 + protowire.SizeVarint(uint64(s.ms))
		dst = protowire.AppendTag(dst, 2, protowire.BytesType)
		dst = protowire.AppendVarint(dst, uint64(n))
		dst = protowire.AppendTag(dst, 1, protowire.Fixed64Type)
		dst = protowire.AppendFixed64(dst, math.Float64bits(s.value))
		dst = protowire.AppendTag(dst, 2, protowire.VarintType)
		dst = protowire.AppendVarint(dst, uint64(s.ms))
	}
	return dst
}

// encode1 makes a WriteRequest of protocol 1: timeseries = 1 {labels = 1 {name = 1,
// value = 2}, samples = 2}. It sorts the samples.
func encode1(dst []byte, all []sample) []byte {
	sortSamples(all)
	var one []byte
	groups(all, func(of *series, samples []sample) {
		one = append(one[:0], of.v1...)
		one = appendSamples(one, samples)
		dst = protowire.AppendTag(dst, 1, protowire.BytesType)
		dst = protowire.AppendBytes(dst, one)
	})
	return dst
}

// Types of metrics in protocol 2.
const (
	typeCounter = 1
	typeGauge   = 2
)

// encode2 makes a Request of protocol 2: symbols = 4, timeseries = 5 {labels_refs = 1
// packed, samples = 2, metadata = 5 {type = 1, help_ref = 3, unit_ref = 4}}. It sorts
// the samples.
func encode2(dst []byte, all []sample) []byte {
	sortSamples(all)
	symbols := []string{""}
	refs := map[string]uint64{"": 0}
	ref := func(s string) uint64 {
		n, ok := refs[s]
		if !ok {
			n = uint64(len(symbols))
			refs[s] = n
			symbols = append(symbols, s)
		}
		return n
	}
	var body, one, packed, meta []byte
	groups(all, func(of *series, samples []sample) {
		packed = packed[:0]
		for _, l := range of.labels {
			packed = protowire.AppendVarint(packed, ref(l.name))
			packed = protowire.AppendVarint(packed, ref(l.value))
		}
		kind := uint64(typeGauge)
		if of.counter {
			kind = typeCounter
		}
		meta = protowire.AppendTag(meta[:0], 1, protowire.VarintType)
		meta = protowire.AppendVarint(meta, kind)
		meta = protowire.AppendTag(meta, 3, protowire.VarintType)
		meta = protowire.AppendVarint(meta, ref(of.help))
		meta = protowire.AppendTag(meta, 4, protowire.VarintType)
		meta = protowire.AppendVarint(meta, ref(of.unit))
		one = protowire.AppendTag(one[:0], 1, protowire.BytesType)
		one = protowire.AppendBytes(one, packed)
		one = appendSamples(one, samples)
		one = protowire.AppendTag(one, 5, protowire.BytesType)
		one = protowire.AppendBytes(one, meta)
		body = protowire.AppendTag(body, 5, protowire.BytesType)
		body = protowire.AppendBytes(body, one)
	})
	for _, s := range symbols {
		dst = protowire.AppendTag(dst, 4, protowire.BytesType)
		dst = protowire.AppendString(dst, s)
	}
	return append(dst, body...)
}
