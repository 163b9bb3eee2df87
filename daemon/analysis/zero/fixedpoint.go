package zero

import (
	"fmt"
	"math"

	"soakrig/daemon/analysis/internal/series"
)

// iceC is the ice point.
const iceC = 0.0

// Range of the steam-point formula, hPa.
const (
	steamLowHPa  = 900
	steamHighHPa = 1050
)

// SteamPointC is the temperature in degC of steam over boiling pure water at a station
// pressure of 900..1050 hPa: 99.974 + 0.0277 d - 1.0e-5 d^2 with d = p - 1013.25 hPa.
// Against the saturation equation of IAPWS-IF97 it is within 0.005 K from 950 to
// 1050 hPa and 0.024 K low at 900 hPa. The pressure is that at the place itself;
// weather reports give it reduced to sea level, which at 500 m is 60 hPa and 1.7 K off.
func SteamPointC(stationHPa float64) (float64, error) {
	if !(stationHPa >= steamLowHPa && stationHPa <= steamHighHPa) {
		return 0, fmt.Errorf("station pressure %g hPa: the steam point is known for %d to %d hPa; give the pressure at the place itself, not the one reduced to sea level",
			stationHPa, steamLowHPa, steamHighHPa)
	}
	d := stationHPa - 1013.25
	return 99.974 + float64(0.0277*d) - float64(1.0e-5*d*d), nil
}

// IcePoint judges the probes that stand in crushed ice with just enough clean water,
// 0.00 degC. It shows converter and cold junction; a wire's error hardly shows at
// 0 degC. Probes farther than 5 K from it count as not in the bath.
func IcePoint(in Input) Result {
	z := begin("ice_point", in)
	z.fixedPoint(iceC, "ice point", iceStandardK)
	return z.res
}

// SteamPoint judges the probes that stand in the steam (not the water) over boiling
// distilled water. It shows the wire too. The error is about the pressure.
func SteamPoint(in Input, stationHPa float64) (Result, error) {
	at, err := SteamPointC(stationHPa)
	if err != nil {
		return Result{}, err
	}
	z := begin("steam_point", in)
	z.fixedPoint(at, fmt.Sprintf("steam point at a station pressure of %g hPa", stationHPa), steamStandardK)
	z.say("a pressure reduced to sea level, as in weather reports, would make it wrong: by 1.7 K at 500 m")
	return z.res, nil
}

// fixedPoint judges the probes that are in the bath at atC.
func (z *check) fixedPoint(atC float64, name string, standardK float64) {
	z.res.ReferenceC, z.res.ReferenceFrom, z.res.StandardK = series.OrNil(atC), name, standardK
	z.bad = nil // a probe that is not in the bath may lack readings
	inside, wrong, widest := 0, 0, 0.0
	for i := range z.res.Probes {
		p, s := &z.res.Probes[i], &z.in.Probes[i]
		switch {
		case p.MeanC == nil:
			continue
		case math.Abs(*p.MeanC-atC) > bathWithinK:
			p.Passed, p.SlopeKPer10Min = false, nil
			p.note("at %.1f degC: not in the bath", *p.MeanC)
			continue
		}
		inside++
		if !p.Passed {
			z.bad = append(z.bad, p.Channel+": "+p.Text)
		}
		off := *p.MeanC - atC
		p.OffsetK, p.CorrectionK = series.OrNil(off), series.OrNil(-off)
		allowed := s.allowedAt(z.res.Method)
		widest = max(widest, allowed)
		if math.Abs(off) > allowed {
			p.fail("%+.2f K from the bath, more than %.1f K", off, allowed)
			wrong++
		}
		z.capped(i, off)
	}
	if inside == 0 {
		z.bad = append(z.bad, fmt.Sprintf("no probe is within %g K of %.2f degC", bathWithinK, atC))
	} else {
		z.res.AllowedK = series.OrNil(widest)
		z.say("%d of %d probes are in the bath, %d of them farther from it than they may be", inside, len(z.res.Probes), wrong)
	}
	z.slopesInBath()
	z.finish(wrong == 0)
}

// slopesInBath is slopes for the probes in the bath.
func (z *check) slopesInBath() {
	all := z.res.Probes
	var in []Probe
	var at []int
	for i := range all {
		if all[i].OffsetK != nil {
			in, at = append(in, all[i]), append(at, i)
		}
	}
	z.res.Probes = in
	z.slopes()
	for i := range in {
		all[at[i]] = in[i]
	}
	z.res.Probes = all
}

// allowedAt is how far a probe may be from a fixed point, k = 2: converter, cold
// junction and terminals, at the steam point the wire too.
func (s *Series) allowedAt(method string) float64 {
	u := sigmaK
	if s.Trimmed {
		u = trimmedSigmaK
	}
	if method == "steam_point" {
		u = math.Hypot(u, s.WireK)
	}
	return 2 * u
}
