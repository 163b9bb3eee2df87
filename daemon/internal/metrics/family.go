package metrics

import (
	"cmp"
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"soakrig/daemon/record"
)

// family is one metric of the page: name, help, unit, type and label names.
type family struct {
	desc             *prometheus.Desc
	name, help, unit string
	counter          bool
	labels           []string // sorted
	index            int      // in the order of names
}

// point is one value of a family. It is a prometheus.Metric that is made of parts of
// its own, so that a scrape makes none.
type point struct {
	family *family
	labels []*dto.LabelPair // sorted by name; never changed
	value  float64

	gauge   dto.Gauge
	counter dto.Counter
	metric  dto.Metric
}

// Desc implements prometheus.Metric.
func (p *point) Desc() *prometheus.Desc { return p.family.desc }

// Write implements prometheus.Metric.
func (p *point) Write(out *dto.Metric) error {
	out.Label = p.labels
	if p.family.counter {
		p.counter.Value = &p.value
		out.Counter = &p.counter
		return nil
	}
	p.gauge.Value = &p.value
	out.Gauge = &p.gauge
	return nil
}

// pairs makes the labels of a point: values in the order of f.labels.
func (f *family) pairs(values ...string) []*dto.LabelPair {
	var a arena
	return a.pairs(f, values)
}

// arena makes labels in memory that it keeps for the next page.
type arena struct {
	pairsOf []dto.LabelPair
	values  []string
	lists   []*dto.LabelPair
	used    int
}

// room makes room for n more labels. What was made before keeps the old memory.
func (a *arena) room(n int) {
	if a.used+n <= len(a.pairsOf) {
		return
	}
	size := max(2*len(a.pairsOf), n)
	a.pairsOf, a.values, a.lists, a.used = make([]dto.LabelPair, size), make([]string, size), make([]*dto.LabelPair, size), 0
}

func (a *arena) pairs(f *family, values []string) []*dto.LabelPair {
	n := len(values)
	if n != len(f.labels) {
		panic("metrics: " + f.desc.String() + " wants " + strings.Join(f.labels, ", "))
	}
	a.room(n)
	list := a.lists[a.used : a.used+n : a.used+n]
	for i, v := range values {
		a.values[a.used] = valid(v)
		p := &a.pairsOf[a.used]
		p.Name, p.Value = &f.labels[i], &a.values[a.used]
		list[i] = p
		a.used++
	}
	return list
}

// book makes families and keeps them for Describe.
type book struct{ all []*family }

func (b *book) make(counter bool, name, unit, help string, labels ...string) *family {
	if !slices.IsSorted(labels) {
		panic("metrics: labels of " + name + " are not sorted")
	}
	desc := prometheus.V2.NewDesc("soakrig_"+name, help, prometheus.UnconstrainedLabels(labels), nil, prometheus.WithUnit(unit))
	f := &family{desc: desc, name: "soakrig_" + name, help: help, unit: unit, counter: counter, labels: labels}
	b.all = append(b.all, f)
	return f
}

func (b *book) gauge(name, unit, help string, labels ...string) *family {
	return b.make(false, name, unit, help, labels...)
}

func (b *book) count(name, unit, help string, labels ...string) *family {
	return b.make(true, name, unit, help, labels...)
}

// quantity is the families of one kind of channel; a nil one does not exist.
type quantity struct {
	value, uncertainty, max32, max60, runMax, limit *family
}

// families is every metric of the page.
type families struct {
	book
	byKind map[record.Kind]*quantity

	riseLimit, slopeLimit, differenceLimit *family
	ambientLow, ambientHigh                *family
	overLimit                              *family

	channelUp, channelFault, channelFailures, channelFaults, channelInfo, channels *family
	energy, energyUncovered                                                        *family

	sourceUp, sourceReads, sourceFailures, sourceLate, sourceLast, sourceInfo, sourcePeriod *family

	samples, lastSample, rigTime, rigSpeed, clockSynced, clockSteps, rigInfo, buildInfo *family
	statusAge, serving, reloadOK, reloadAt                                              *family

	journalDurable, journalHead, journalDurableSeq, journalOldest, journalBytes, journalFree                          *family
	journalFlushes, journalP50, journalP99, journalUnread, journalTotal, journalFailures, journalGaps, journalRefuses *family

	subscribers, subscriberLag *family

	runOpen, runInfo, runPhase, runVerdict, runStart, runElapsed, runRemaining, runPhaseElapsed *family
	runPeak, runRise, runAmbient, runSlope, runEnergy, runPower, runGood, runProbes, runFinding *family
	runs, lastEnd, lastVerdict, lastLimited, lastPeak                                           *family
}

func newFamilies() *families {
	f := &families{byKind: map[record.Kind]*quantity{}}
	f.makeQuantities()
	f.makeChannels()
	f.makeRig()
	f.makeRun()
	slices.SortFunc(f.all, func(a, b *family) int { return cmp.Compare(a.name, b.name) })
	for i, one := range f.all {
		one.index = i
	}
	return f
}

func (f *families) makeQuantities() {
	const newest = "Newest good reading; absent while the channel has a fault or its reading is older than three periods."
	const k2 = "Expanded uncertainty (k = 2) of the newest good reading; absent where none is stated."
	kinds := []struct {
		kind       record.Kind
		name, unit string
		maxima     bool
	}{
		{record.Temperature, "temperature", "celsius", true},
		{record.Power, "power", "watts", true},
		{record.Voltage, "voltage", "volts", false},
		{record.Current, "current", "amperes", false},
		{record.Frequency, "frequency", "hertz", false},
		{record.Other, "other_reading", "", false},
	}
	for _, k := range kinds {
		suffix := ""
		if k.unit != "" {
			suffix = "_" + k.unit
		}
		q := &quantity{
			value:       f.gauge(k.name+suffix, k.unit, newest, "channel", "role"),
			uncertainty: f.gauge(k.name+"_uncertainty"+suffix, k.unit, k2, "channel", "role"),
			limit:       f.gauge(k.name+"_limit"+suffix, k.unit, "Limit on the channel's value, of the open run or else of the configuration.", "channel", "limit", "role", "severity", "side"),
		}
		if k.maxima {
			q.max32 = f.gauge(k.name+"_max_32s"+suffix, k.unit, "Highest good reading of the last 32 s of rig time; reading it does not reset it; absent when there was none.", "channel", "role")
			q.max60 = f.gauge(k.name+"_max_60s"+suffix, k.unit, "Highest good reading of the last 60 s of rig time; reading it does not reset it; absent when there was none.", "channel", "role")
			q.runMax = f.gauge("run_"+k.name+"_max"+suffix, k.unit, "Highest good reading since the open run began, not held and without guard band; absent without a run.", "channel", "role")
		}
		f.byKind[k.kind] = q
	}
	f.byKind[record.Energy] = &quantity{
		value: f.count("meter_energy_joules_total", "joules", "Energy register of the meter as it reads; absent while the channel has a fault or is stale.", "channel", "role"),
	}
	f.riseLimit = f.gauge("rise_limit_celsius", "celsius", "Limit on the channel's rise above ambient.", "channel", "limit", "role", "severity", "side")
	f.slopeLimit = f.gauge("slope_limit_celsius_per_hour", "", "Limit on the channel's slope, degrees per hour.", "channel", "limit", "role", "severity", "side")
	f.differenceLimit = f.gauge("difference_limit_celsius", "celsius", "Limit on the channel's difference to the median of its role.", "channel", "limit", "role", "severity", "side")
	f.ambientLow = f.gauge("ambient_band_low_celsius", "celsius", "Lower end of the room temperatures in which a run counts.")
	f.ambientHigh = f.gauge("ambient_band_high_celsius", "celsius", "Upper end of the room temperatures in which a run counts.")
	f.overLimit = f.count("over_limit_seconds_total", "seconds", "Rig time for which the reading was beyond a value or rise limit, with or without a run, since soakd started.", "channel", "limit", "role")
}

func (f *families) makeChannels() {
	f.channelUp = f.gauge("channel_up", "", "Whether the channel has a good reading that is not stale.", "channel", "role")
	f.channelFault = f.gauge("channel_fault", "", "1 for each fault that stands in the place of the channel's value; absent for faults it does not have. The words are a closed set.", "channel", "fault", "role")
	f.channelFailures = f.count("channel_failures_total", "", "Readings without a value since soakd started; reads are counted per source.", "channel", "role")
	f.channelFaults = f.count("channel_faults_total", "", "Readings without a value by fault since soakd started; one reading may have several faults.", "channel", "fault", "role")
	f.channelInfo = f.gauge("channel_info", "", "What the channel is.", "calibration", "channel", "converter", "couple", "kind", "place", "role", "source", "unit")
	f.channels = f.gauge("channels_configured", "", "Channels of each role in the layout in force: a probe that vanished can only be missed by number.", "role")
	f.energy = f.count("energy_joules_total", "joules", "Energy integrated from every reading of a power channel since soakd started; negative power counts as none.", "channel", "role")
	f.energyUncovered = f.count("energy_uncovered_seconds_total", "seconds", "Rig time that the integrated energy leaves out: readings failed or were more than three periods apart.", "channel", "role")

	f.sourceUp = f.gauge("source_up", "", "Whether the newest read of the source gave at least one value.", "source")
	f.sourceReads = f.count("source_reads_total", "", "Samples taken from the source since it was opened.", "source")
	f.sourceFailures = f.count("source_read_failures_total", "", "Samples of the source without a single value.", "source")
	f.sourceLate = f.count("source_late_scans_total", "", "Deadlines that were skipped because the bus was busy or the board was late.", "source")
	f.sourceLast = f.gauge("source_last_sample_timestamp_seconds", "seconds", "Rig wall time of the source's newest sample.", "source")
	f.sourcePeriod = f.gauge("source_period_seconds", "seconds", "How often the source is read.", "source")
	f.sourceInfo = f.gauge("source_info", "", "What reads the source.", "driver", "source")
}

func (f *families) makeRig() {
	f.samples = f.count("samples_total", "", "Samples that the page has taken from the journal since soakd started.")
	f.lastSample = f.gauge("last_sample_timestamp_seconds", "seconds", "Rig wall time of the newest sample of any source.")
	f.rigTime = f.gauge("rig_time_seconds", "seconds", "Wall time as the rig has it. A simulated rig's may run ahead of the world's: compare the rig's time stamps with this one.")
	f.rigSpeed = f.gauge("rig_speed_ratio", "", "Rig seconds per real second: 1 but for simulated rigs.")
	f.clockSynced = f.gauge("clock_synchronised", "", "Whether the rig's wall clock is synchronised.")
	f.clockSteps = f.count("clock_steps_total", "", "Jumps of wall time since soakd started.")
	f.rigInfo = f.gauge("rig_info", "", "Which rig this is, and whether it is a simulated one.", "name", "simulated")
	f.buildInfo = f.gauge("build_info", "", "The build of soakd.", "goversion", "version")
	f.statusAge = f.gauge("status_age_seconds", "seconds", "Age of the state of run, journal, sources and streams on this page; 0.5 s is usual.")
	f.serving = f.gauge("serving", "", "Whether every source has been read once since soakd started.")
	f.reloadOK = f.gauge("config_last_reload_successful", "", "Whether the newest configuration was put in force.")
	f.reloadAt = f.gauge("config_last_reload_timestamp_seconds", "seconds", "When the configuration was last loaded, well or not.")

	f.journalDurable = f.gauge("journal_durable", "", "Whether what is written reaches the disk; 0 means that samples are streamed but not safe.")
	f.journalHead = f.gauge("journal_head_sequence", "", "Newest sequence number.")
	f.journalDurableSeq = f.gauge("journal_durable_sequence", "", "Newest sequence number that survives a power cut.")
	f.journalOldest = f.gauge("journal_oldest_sequence", "", "Oldest sequence number that can be read.")
	f.journalBytes = f.gauge("journal_size_bytes", "bytes", "Disk space that the journal takes.")
	f.journalFree = f.gauge("journal_free_bytes", "bytes", "Disk space that is left for it.")
	f.journalFlushes = f.count("journal_flushes_total", "", "Commits made durable since soakd started.")
	f.journalP50 = f.gauge("journal_commit_p50_seconds", "seconds", "Median time of a recent commit.")
	f.journalP99 = f.gauge("journal_commit_p99_seconds", "seconds", "99th percentile of the times of recent commits.")
	f.journalTotal = f.gauge("journal_disk_size_bytes", "bytes", "Size of the file system that holds the journal.")
	f.journalFailures = f.count("journal_commit_failures_total", "", "Commits that failed since soakd started.")
	f.journalGaps = f.gauge("journal_gaps", "", "Ranges of sequence numbers that hold nothing: lost to an unclean stop or damage, or retired.")
	f.journalRefuses = f.gauge("journal_refuses_runs", "", "Whether the disk is so full that no run should be started.")
	f.journalUnread = f.gauge("journal_unread_entries", "", "Entries that this page has not taken in yet.")

	f.subscribers = f.gauge("stream_subscribers", "", "Open streams of samples.")
	f.subscriberLag = f.gauge("stream_lag_max_entries", "", "Entries by which the slowest stream is behind.")
}

func (f *families) makeRun() {
	f.runOpen = f.gauge("run_open", "", "Whether a run is open.")
	f.runInfo = f.gauge("run_info", "", "The open run; the series lives as long as the run.", "run", "setup", "unit")
	f.runPhase = f.gauge("run_phase", "", "1 for the phase that the open run is in.", "phase")
	f.runVerdict = f.gauge("run_verdict_so_far", "", "1 for what the open run has proved so far.", "verdict")
	f.runStart = f.gauge("run_start_timestamp_seconds", "seconds", "Rig wall time at which the open run began.")
	f.runElapsed = f.gauge("run_elapsed_seconds", "seconds", "Rig time since the open run began.")
	f.runPhaseElapsed = f.gauge("run_phase_elapsed_seconds", "seconds", "Rig time since the phase began.")
	f.runRemaining = f.gauge("run_remaining_seconds", "seconds", "Planned rig time left; absent where the plan does not say.")
	f.runPeak = f.gauge("run_peak_celsius", "celsius", "Highest temperature held so far on the hottest probe of the open run.")
	f.runRise = f.gauge("run_rise_celsius", "celsius", "Rise of the hottest probe above ambient now.")
	f.runAmbient = f.gauge("run_ambient_celsius", "celsius", "Room temperature that the open run counts from.")
	f.runSlope = f.gauge("run_slope_celsius_per_hour", "", "Slope of the probe that settles last, degrees per hour.")
	f.runEnergy = f.gauge("run_energy_joules", "joules", "Energy taken since the load of the open run began.")
	f.runPower = f.gauge("run_power_watts", "watts", "Power of the open run now.")
	f.runGood = f.gauge("run_probes_good", "", "Probes of the open run that count.")
	f.runProbes = f.gauge("run_probes", "", "Probes that the open run began with.")
	f.runFinding = f.gauge("run_findings", "", "What the open run has noticed so far, by code: thermal_limiting, load_lost, ambient_band and others.", "code", "severity")
	f.lastEnd = f.gauge("last_run_end_timestamp_seconds", "seconds", "Rig wall time at which the newest run that has ended did.")
	f.lastVerdict = f.gauge("last_run_verdict", "", "1 for the verdict of the newest run that has ended.", "verdict")
	f.lastLimited = f.gauge("last_run_limited", "", "Whether thermal limiting was seen in the newest run that has ended: its peak is the limiter's set point.")
	f.lastPeak = f.gauge("last_run_peak_celsius", "celsius", "Held peak of the hottest probe in the newest run that has ended; absent where there was none.")
	f.runs = f.count("runs_total", "", "Runs that ended since soakd started, by verdict.", "verdict")
}
