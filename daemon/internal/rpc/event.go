package rpc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// event is an entry that is neither a sample nor a layout, for people (text) and
// programs (json).
func event(e *record.Entry) *pb.Event {
	m := describe(e)
	for _, text := range []*string{&m.Text, &m.Run, &m.Source} {
		*text = strings.ToValidUTF8(*text, "�") // else the whole message is refused
	}
	return m
}

func describe(e *record.Entry) *pb.Event {
	m := &pb.Event{
		Sequence: e.Seq, BootNs: e.At.BootNS, WallNs: e.At.WallNS, ClockSynced: e.At.Synced,
		BootId: bytes.Clone(e.At.Boot[:]),
	}
	switch b := e.Body.(type) {
	case *record.Mark:
		m.Kind, m.Run, m.Text = "mark", b.Run, b.Text
		if b.Author != "" {
			m.Text += " (" + b.Author + ")"
		}
	case *record.SourceEvent:
		m.Kind, m.Source, m.Text = "source", b.Source, b.Source+" "+b.State
		if b.Text != "" {
			m.Text += ": " + b.Text
		}
	case *record.ClockStep:
		m.Kind = "clock_step"
		m.Text = fmt.Sprintf("wall clock stepped by %v; the clock is %s", time.Duration(b.StepNS), syncWord(b.Synced))
	case *record.Gap:
		m.Kind = "gap"
		m.Text = fmt.Sprintf("sequences %d to %d are missing (%s) %s", b.From, b.To, b.Cause, b.Text)
	case *record.RunEvent:
		m.Kind, m.Run, m.Text = "run", b.Run, runEventText(b)
	case *record.RunResult:
		m.Kind, m.Run, m.Text = "result", b.Run, "run "+b.Run+": "+string(b.Result.Verdict)
	case *record.Calibration:
		m.Kind, m.Text = "calibration", fmt.Sprintf("%s calibrated: %+.3g K (%s)", b.Channel, b.OffsetK, b.ID)
	case *record.Unknown:
		m.Kind = "unknown"
		m.Text = fmt.Sprintf("entry of type %d version %d, which this soakd does not know", b.Number, b.Version)
		return m
	default:
		m.Kind, m.Text = "unknown", fmt.Sprintf("entry %T can't be sent", b)
		return m
	}
	text, err := json.Marshal(e.Body)
	if err != nil { // a number that JSON does not have
		m.Text += fmt.Sprintf(" [not as JSON: %v]", err)
	}
	m.Json = string(text)
	return m
}

func runEventText(b *record.RunEvent) string {
	text := "run " + b.Run + " " + b.Event
	if b.Phase != "" {
		text += " " + string(b.Phase)
	}
	if b.Text != "" {
		text += ": " + b.Text
	}
	return text
}

func syncWord(synced bool) string {
	if synced {
		return "synchronised"
	}
	return "not synchronised"
}
