package daemon

import (
	"context"
	"fmt"
	"strings"
	"time"

	"soakrig/daemon/convert"
	"soakrig/daemon/internal/acquire"
	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/record"
	"soakrig/drivers"
	"soakrig/drivers/bus"
)

// ChannelCheck is one channel as a check found it. Absent numbers are nil.
type ChannelCheck struct {
	Source      string   `json:"source"`
	Driver      string   `json:"driver"`
	Channel     string   `json:"channel"`
	Role        string   `json:"role"`
	Place       string   `json:"place,omitempty"`
	Unit        string   `json:"unit"`
	Value       *float64 `json:"value,omitempty"`
	Expanded    *float64 `json:"expanded,omitempty"` // k = 2
	EMFMilliV   *float64 `json:"emf_mv,omitempty"`
	ColdC       *float64 `json:"cold_c,omitempty"`
	ChipC       *float64 `json:"chip_c,omitempty"`
	CorrectionK *float64 `json:"correction_k,omitempty"` // of the calibration
	Code        *int64   `json:"code,omitempty"`         // as the device gave it
	Fault       string   `json:"fault"`                  // ok, or fault words joined with +
	Cause       string   `json:"cause,omitempty"`
	Why         string   `json:"why"` // how the value and its uncertainty came about
	Warnings    []string `json:"warnings,omitempty"`
	// Budget is what Expanded is made of, at the value; the lines of a run come on top.
	Budget []record.BudgetLine `json:"budget,omitempty"`
}

// CheckReport is what a check found.
type CheckReport struct {
	Rig       string              `json:"rig"`
	Simulated bool                `json:"simulated"`
	OK        bool                `json:"ok"` // every channel has a value
	Channels  []ChannelCheck      `json:"channels"`
	Identity  map[string][]string `json:"identity,omitempty"` // by source
	Cautions  []string            `json:"cautions"`
	Problems  []string            `json:"problems"` // sources that do not open
	Notes     []string            `json:"notes"`    // what this computer lacks, and what would help
	Ports     []bus.PortName      `json:"ports"`    // what this board has
}

// checkPatience is how long a check waits for a first conversion, in rig time: the
// slowest chip takes 0.8 s.
const checkPatience = 3 * time.Second

// Check opens and reads every source once and stores nothing. The error is about
// configuration or hardware that can't be used at all.
func Check(ctx context.Context, c *Config, known []*drivers.Driver) (CheckReport, error) {
	b, err := openBoard(c, false)
	if err != nil {
		return CheckReport{}, err
	}
	defer b.close()
	a, err := acquire.New(ctx, acquire.Options{Config: c, Drivers: known, Host: b.host, Clock: b.clock})
	if err != nil {
		return CheckReport{}, err
	}
	taken, err := a.Once(ctx, checkPatience)
	if err != nil {
		return CheckReport{}, err
	}
	r, err := report(c, a.Layout(), taken, b)
	if c.Interlock != nil { // soakd does not start without the pin; looking it up moves nothing
		if _, err := b.host.Pin(c.Interlock.Pin); err != nil {
			r.OK = false
			r.Problems = append(r.Problems, fmt.Sprintf("interlock: soakd would not start: %v", err))
		}
	}
	if err := rpc.CheckFiles(security(c)); err != nil {
		r.OK = false
		r.Problems = append(r.Problems, fmt.Sprintf("listen: soakd would not start, if it may read no more than you: %v", err))
	}
	r.Notes = diagnose(c, r.Ports)
	r.Cautions = append(r.Cautions, remoteCautions(c)...)
	return r, err
}

func report(c *Config, l *record.Layout, taken []acquire.Taken, b *board) (CheckReport, error) {
	r := CheckReport{Rig: c.Rig, Simulated: c.Simulated != nil, OK: true, Identity: map[string][]string{}, Ports: b.host.Names(), Cautions: Cautions()}
	table, err := convert.New(l)
	if err != nil {
		return r, err
	}
	values := make([][]convert.Value, len(taken))
	for range 2 { // twice: a cold junction may come from a source that is read later
		for i := range taken {
			values[i] = make([]convert.Value, len(taken[i].Sample.Raw))
			if err := table.Convert(&taken[i].Sample, values[i]); err != nil {
				return r, err
			}
		}
	}
	said := map[string]bool{}
	for i, t := range taken {
		if t.OpenErr != nil {
			r.Problems = append(r.Problems, fmt.Sprintf("source %s: %v", t.Source, t.OpenErr))
		}
		if len(t.Identity) > 0 {
			r.Identity[t.Source] = t.Identity
		}
		if d := t.Driver; d != nil && d.Info.Caution != "" && !said[d.Info.Caution] {
			said[d.Info.Caution] = true
			r.Cautions = append(r.Cautions, d.Name+": "+d.Info.Caution)
		}
		for j, v := range values[i] {
			ch := &l.Channels[l.Sources[i].Channels[j]]
			cc := channelCheck(ch, v, t.Sample.Raw[j])
			cc.Source, cc.Driver = t.Source, l.Sources[i].Driver
			cc.explain(table, l.Sources[i].Channels[j], &v, b.clock.Now().Wall())
			if err := t.Causes[j]; err != nil {
				cc.Cause = err.Error()
			}
			r.OK = r.OK && v.Faults == 0
			r.Channels = append(r.Channels, cc)
		}
	}
	return r, nil
}

func channelCheck(ch *record.Channel, v convert.Value, raw record.Raw) ChannelCheck {
	c := ChannelCheck{Channel: ch.Name, Role: string(ch.Role), Place: ch.Place, Unit: ch.Unit, Fault: v.Faults.String(), Why: why(ch)}
	if v.Faults == 0 {
		c.Value = &v.Value
		if v.Expanded > 0 {
			c.Expanded = &v.Expanded
		}
	}
	if v.Has&convert.HasEMF != 0 {
		mv := v.EMFVolts * 1e3
		c.EMFMilliV = &mv
	}
	if v.Has&convert.HasCold != 0 {
		c.ColdC = &v.ColdC
	}
	if v.Has&convert.HasChip != 0 {
		c.ChipC = &v.ChipC
	}
	if v.Has&convert.HasUncorrected != 0 {
		k := v.Value - v.Uncorrected
		c.CorrectionK = &k
	}
	if raw.Has&record.HasCode != 0 {
		c.Code = &raw.Code
	}
	return c
}

// why words how the value of a channel comes about.
func why(ch *record.Channel) string {
	text := ""
	switch ch.Converter.Law {
	case record.LawEMF:
		text = "EMF of the converter and cold junction through the type " + ch.Couple + " reference function"
	case record.LawFixedSlope:
		text = fmt.Sprintf("the chip's fixed slope of %.3f uV/K undone, then through the type %s reference function", ch.Converter.SlopeVoltsPerK*1e6, ch.Couple)
	case record.LawLinearised:
		text = "linearised by the chip, left alone"
	case record.LawFixedSlopeNoCold:
		text = "the chip hides its cold junction: its number can't be corrected"
	case record.LawRTD:
		text = "platinum resistance by IEC 60751"
	case record.LawLinear, record.LawFloat32, record.LawFloat64:
		text = "the device's number, scaled"
	default:
		text = "the source is not open"
	}
	if m := ch.Converter.Masks; len(m) > 0 {
		text += "; MASKED by the configuration: " + strings.Join(m, ", ") + ", so that a real one is not seen"
	}
	if cal := ch.Calibration; cal != nil {
		text += "; calibration " + cal.ID
		if cal.Checked != "" {
			text += " of " + cal.Checked
		}
	}
	return text
}

// Cautions are what anybody who runs unattended loads should have read.
func Cautions() []string {
	return []string{
		"soakd is not a safety device. Limits and the interlock output are conveniences; fit an independent thermal cut-out with its own sensor that removes power and stays off until reset by hand.",
		"Mains wiring, meters and current transformers: licensed or competent persons only, under the local code; isolate, lock off, prove dead; no live work.",
		"Hot parts and unattended loads: non-combustible surface, clear space, smoke detection by the site's rules. Surfaces stay hot after power-off.",
		"Probe tips on live copper: insulated junctions or isolated front ends; never bond a tip to a part on the mains side.",
	}
}
