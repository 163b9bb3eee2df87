package rpc

import (
	"encoding/binary"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"soakrig/daemon/convert"
	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// Field numbers of samples.proto that the encoder writes itself. A test holds them
// against the generated descriptors.
const (
	tailBatch = 2 // of TailResponse
	readBatch = 1 // of ReadResponse

	batchSamples        = 1
	batchEvents         = 2
	batchLayouts        = 3
	batchHead           = 4
	batchDurableThrough = 5
	batchFirst          = 6
	batchLast           = 7
	batchSummaries      = 8

	sampleSequence    = 1
	sampleLayout      = 2
	sampleSource      = 3
	sampleBootNS      = 4
	sampleWallNS      = 5
	sampleClockSynced = 6
	sampleBootID      = 7
	sampleReadings    = 8

	readingChannel     = 1
	readingValue       = 2
	readingExpanded    = 3
	readingFaults      = 4
	readingCode        = 5
	readingColdCode    = 6
	readingChipCode    = 7
	readingEMFVolts    = 8
	readingColdC       = 9
	readingChipC       = 10
	readingAgeUS       = 11
	readingUncorrected = 12
)

// batch is a Batch message under construction, already in its wire form: one buffer
// that is used again, instead of a tree of messages per reading.
type batch struct {
	buf     []byte
	entries int // samples, events and summaries in buf
	boot    record.BootID
	hasBoot bool
}

// reset empties the batch. The next sample names its boot only if it is another one
// than the last that was encoded.
func (b *batch) reset() { b.buf, b.entries = b.buf[:0], 0 }

// sample appends one sample. want says which of the layout's channels are wanted;
// nil: all. values are the converted readings in the order of the source's channels.
func (b *batch) sample(e *record.Entry, s *record.Sample, channels []int, want []bool, values []convert.Value) {
	start := len(b.buf)
	buf := appendUint(b.buf, sampleSequence, e.Seq)
	buf = appendUint(buf, sampleLayout, uint64(s.Layout))
	buf = appendUint(buf, sampleSource, uint64(s.Source))
	buf = appendUint(buf, sampleBootNS, uint64(e.At.BootNS))
	buf = appendUint(buf, sampleWallNS, uint64(e.At.WallNS))
	if e.At.Synced {
		buf = appendUint(buf, sampleClockSynced, 1)
	}
	if !b.hasBoot || b.boot != e.At.Boot {
		b.boot, b.hasBoot = e.At.Boot, true
		buf = protowire.AppendTag(buf, sampleBootID, protowire.BytesType)
		buf = protowire.AppendBytes(buf, e.At.Boot[:])
	}
	for i := range s.Raw {
		channel := channels[i]
		if want != nil && !want[channel] {
			continue
		}
		at := len(buf)
		buf = appendReading(buf, channel, &s.Raw[i], &values[i])
		buf = closeMessage(buf, at, sampleReadings)
	}
	b.buf = closeMessage(buf, start, batchSamples)
	b.entries++
}

func appendReading(buf []byte, channel int, raw *record.Raw, v *convert.Value) []byte {
	buf = appendUint(buf, readingChannel, uint64(channel))
	if v.Faults == 0 {
		buf = appendDouble(buf, readingValue, v.Value)
		if v.Expanded > 0 {
			buf = appendDouble(buf, readingExpanded, v.Expanded)
		}
	} else {
		at := len(buf)
		for f, word := v.Faults, uint64(1); f != 0; f, word = f>>1, word+1 {
			if f&1 != 0 {
				buf = protowire.AppendVarint(buf, word)
			}
		}
		buf = closeMessage(buf, at, readingFaults)
	}
	if raw.Has&record.HasCode != 0 {
		buf = appendSint(buf, readingCode, raw.Code)
	}
	if raw.Has&record.HasCold != 0 {
		buf = appendSint(buf, readingColdCode, raw.Cold)
	}
	if raw.Has&record.HasChip != 0 {
		buf = appendSint(buf, readingChipCode, raw.Chip)
	}
	if v.Has&convert.HasEMF != 0 {
		buf = appendDouble(buf, readingEMFVolts, v.EMFVolts)
	}
	if v.Has&convert.HasCold != 0 {
		buf = appendDouble(buf, readingColdC, v.ColdC)
	}
	if v.Has&convert.HasChip != 0 {
		buf = appendDouble(buf, readingChipC, v.ChipC)
	}
	if raw.AgeUS != 0 {
		buf = appendUint(buf, readingAgeUS, uint64(int64(raw.AgeUS)))
	}
	if v.Has&convert.HasUncorrected != 0 {
		buf = appendDouble(buf, readingUncorrected, v.Uncorrected)
	}
	return buf
}

// message appends one of the rare messages of a batch.
func (b *batch) message(field protowire.Number, m proto.Message) error {
	start := len(b.buf)
	buf, err := proto.MarshalOptions{}.MarshalAppend(b.buf, m)
	if err != nil {
		return err
	}
	b.buf = closeMessage(buf, start, field)
	if field != batchLayouts {
		b.entries++
	}
	return nil
}

func (b *batch) layout(l *record.Layout) error {
	var m pb.Layout
	if err := recordpb.ToProto(l, &m); err != nil {
		return err
	}
	return b.message(batchLayouts, &m)
}

// closeMessage puts tag and length of the field in front of buf[start:].
func closeMessage(buf []byte, start int, field protowire.Number) []byte {
	n := len(buf) - start
	var head [2 * binary.MaxVarintLen64]byte
	h := binary.AppendUvarint(append(head[:0], byte(field)<<3|byte(protowire.BytesType)), uint64(n))
	buf = append(buf, h...)
	copy(buf[start+len(h):], buf[start:start+n])
	copy(buf[start:], h)
	return buf
}

// Every field that the encoder writes itself has a number below 16, so that its tag is
// one byte.

func appendUint(buf []byte, field byte, v uint64) []byte {
	if v == 0 {
		return buf
	}
	return binary.AppendUvarint(append(buf, field<<3|byte(protowire.VarintType)), v)
}

func appendSint(buf []byte, field byte, v int64) []byte {
	return binary.AppendVarint(append(buf, field<<3|byte(protowire.VarintType)), v)
}

func appendDouble(buf []byte, field byte, v float64) []byte {
	return binary.LittleEndian.AppendUint64(append(buf, field<<3|byte(protowire.Fixed64Type)), math.Float64bits(v))
}
