package simrig

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// linear is a unit whose loss does not depend on temperature.
func linear() UnitOpts {
	u := quiet().Unit
	u.Loss.TempCo = 0
	return u
}

// run takes n steps with the load on or off in a room of 23 degC.
func (u *unit) run(from, n int) {
	for i := range n {
		u.step(float64(from+i)*stepS, 23, 1, 0)
	}
}

func TestSteadyValuesAreTheSumsOfTheResistances(t *testing.T) {
	o := linear()
	u := newUnit(o, 23)
	u.script(1, 0)
	u.run(0, 10*3600*4)
	p := u.loadP
	loss := o.Loss.lossW(p)
	near(t, "delivered and lost at 25 degC", o.Supply.wallW(p+loss+o.RestW), 300, 1e-6)
	near(t, "wall power", u.out.wall, 300, 1e-6)
	box := 23 + o.Box.KPerW*(p+loss+o.RestW)
	sink := box + o.Sink.KPerW*loss
	near(t, "enclosure", u.t.box, box, 1e-4)
	near(t, "die", u.t.die, box+o.Die.KPerW*p, 1e-4)
	near(t, "heatsink", u.t.sink, sink, 1e-4)
	for i := range u.n {
		near(t, "stage", u.t.stage[i], sink+o.Stages[i].KPerW*loss/8, 1e-4)
	}
}

func TestShares(t *testing.T) {
	o := linear()
	o.Stages = []Stage{{KPerW: 2, Share: 3}, {KPerW: 2, Share: 1}, {KPerW: 2, Share: 0}}
	u := newUnit(o, 23)
	u.script(1, 0)
	u.run(0, 3600*4)
	loss := o.Loss.lossW(u.loadP)
	near(t, "three quarters", u.t.stage[0]-u.t.sink, 2*loss*0.75, 0.01)
	near(t, "a quarter", u.t.stage[1]-u.t.sink, 2*loss*0.25, 0.01)
	near(t, "a stage without load", u.t.stage[2]-u.t.sink, 0, 0.01)
}

// With everything behind it held still, a stage is one time constant.
func TestStageTimeConstant(t *testing.T) {
	for _, tau := range []time.Duration{5 * time.Second, 9 * time.Second, 15 * time.Second} {
		o := linear()
		o.StageTime = tau
		o.Stages = []Stage{{KPerW: 30, Share: 1}}
		o.Sink = Mass{KPerW: 1e-4, Time: time.Second}
		o.Die, o.Box = o.Sink, o.Sink
		u := newUnit(o, 23)
		u.script(1, 0)
		loss, worst := o.Loss.lossW(u.loadP), 0.0
		for i := 1; i < 600; i++ {
			u.run(i-1, 1)
			want := 23 + 30*loss*(1-math.Exp(-float64(i)*stepS/tau.Seconds()))
			worst = max(worst, math.Abs(u.t.stage[0]-want))
		}
		if worst > 0.002*30*loss {
			t.Errorf("time constant %v: off by up to %.3f K of %.0f", tau, worst, 30*loss)
		}
	}
}

// Die and enclosure alone are two coupled masses with a closed form.
func TestTwoCoupledMasses(t *testing.T) {
	o := linear()
	o.Loss = Loss{}
	o.IdleWallW = 40
	o.RestW = o.Supply.dcW(40)
	o.Stages = []Stage{{KPerW: 1000, Share: 1}}
	o.Sink = Mass{KPerW: 100, Time: 24 * time.Hour} // takes and gives next to nothing
	o.Die = Mass{KPerW: 0.2, Time: 60 * time.Second}
	o.Box = Mass{KPerW: 0.1, Time: 600 * time.Second}
	u := newUnit(o, 23)
	u.t.box = 23 + o.Box.KPerW*o.RestW // idle for long: only rest flows
	u.t.die = u.t.box
	u.script(1, 0)

	// x' = A x + b about the idle state, x = (die, box), p steps on at 0.
	a := 1 / 60.0                                  // die
	c, d := 0.1/600*(1/0.2), 0.1/600*(1/0.2+1/0.1) // enclosure: from the die, to both sides
	p := u.loadP - u.idleP
	near(t, "idle power", u.idleP, 0, 1e-9)
	tr, det := -(a + d), a*d-a*c
	root := math.Sqrt(tr*tr/4 - det)
	l1, l2 := tr/2+root, tr/2-root
	endBox, endDie := 0.1*p, 0.3*p
	// x(t) = end + k1 v1 e^l1t + k2 v2 e^l2t with v = (a, l+a).
	k2 := (-endBox + endDie*(l1+a)/a) / ((l2 + a) - (l1 + a))
	k1 := (-endDie - k2*a) / a
	worst := 0.0
	for i := 1; i < 4*3600; i++ {
		u.run(i-1, 1)
		s := float64(i) * stepS
		die := endDie + k1*a*math.Exp(l1*s) + k2*a*math.Exp(l2*s)
		box := endBox + k1*(l1+a)*math.Exp(l1*s) + k2*(l2+a)*math.Exp(l2*s)
		base := 23 + o.Box.KPerW*o.RestW
		worst = max(worst, math.Abs(u.t.die-base-die), math.Abs(u.t.box-base-box))
	}
	if worst > 0.1 {
		t.Errorf("off by up to %.4f K of %.1f", worst, endDie)
	}
}

// Heat in equals heat stored plus heat out, whatever happens.
func TestEnergyIsConserved(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := DefaultUnit()
		o.Limiter = Limiter{Kind: rapid.SampledFrom([]string{"none", "hold", "trip"}).Draw(rt, "limiter"), Sense: "hottest", AtC: 60, Hysteresis: 3, Cut: 0.3}
		o.Loop = Loop{Every: 60 * time.Second, Gap: 5 * time.Second, Level: 0.2}
		o.Crash = Crash{After: 5 * time.Minute, To: "restart", Down: 30 * time.Second}
		u := newUnit(o, rapid.Float64Range(10, 35).Draw(rt, "room"))
		start := u.storedJ()
		in, out := 0.0, 0.0
		for i := range 900 * 4 {
			if i%500 == 0 {
				u.script(rapid.Float64Range(0, 1.2).Draw(rt, "level"), float64(i)*stepS)
			}
			u.step(float64(i)*stepS, 23, 1+float64(i%3), 0)
			in += u.out.dc * stepS
			out += u.out.toRoom * stepS
		}
		if diff := in - out - (u.storedJ() - start); math.Abs(diff) > 1e-9*in {
			rt.Fatalf("%.6g J in, %.6g J out, %.6g J stored: %.3g J are missing", in, out, u.storedJ()-start, diff)
		}
	})
}

func TestSupplyCurve(t *testing.T) {
	s := DefaultUnit().Supply
	for _, dc := range []float64{0, 1, 50, 272, 800} {
		near(t, "there and back", s.dcW(s.wallW(dc)), dc, 1e-9)
	}
	near(t, "efficiency at 50 W", 50/s.wallW(50), 0.829, 0.001)
	near(t, "efficiency at 270 W", 270/s.wallW(270), 0.907, 0.001)
	near(t, "efficiency at 800 W", 800/s.wallW(800), 0.873, 0.001)
	if dc := s.dcW(2); dc >= 0 {
		t.Errorf("2 W at the wall gives %g W, less than the supply takes itself", dc)
	}
	flat := Supply{FixedW: 5, Linear: 0.1}
	near(t, "without a square term", flat.dcW(flat.wallW(100)), 100, 1e-9)
}

func TestLossGrowsWithTemperature(t *testing.T) {
	o := linear()
	o.Loss.TempCo = 0.004
	u, cold := newUnit(o, 25), newUnit(linear(), 25)
	for _, x := range []*unit{u, cold} {
		x.script(1, 0)
		x.run(0, 4*3600*4)
	}
	mean := 0.0
	for i := range u.n {
		mean += u.t.stage[i] / 8
	}
	near(t, "loss", u.out.loss, o.Loss.lossW(u.loadP)*(1+0.004*(mean-25)), 1e-6)
	if u.out.wall <= cold.out.wall || u.t.stage[4] <= cold.t.stage[4] {
		t.Error("a loss that grows with temperature makes neither power nor heat")
	}
}

// limited runs a load of two hours and returns the mean wall power of minutes 2..10
// and of the last half hour, and the hottest place at the end.
func limited(l Limiter) (early, late, hotC float64, u *unit) {
	o := quiet().Unit
	o.Limiter = l
	u = newUnit(o, 23)
	u.script(1, 0)
	for i := range 2 * 3600 * 4 {
		u.run(i, 1)
		switch s := float64(i) * stepS; {
		case s >= 120 && s < 600:
			early += u.out.wall / (480 * 4)
		case s >= 5400:
			late += u.out.wall / (1800 * 4)
		}
	}
	return early, late, u.t.stage[4], u
}

func TestRatedUnitLosesNoPower(t *testing.T) {
	_, _, free, _ := limited(Limiter{Kind: "none", Sense: "hottest"})
	for _, kind := range []string{"none", "hold", "trip"} {
		early, late, _, u := limited(Limiter{Kind: kind, Sense: "hottest", AtC: free + 1, Hysteresis: 3, Cut: 0.3})
		if late < early || u.limitedS != 0 {
			t.Errorf("%s: %.1f W early, %.1f W late, limited for %g s", kind, early, late, u.limitedS)
		}
	}
}

func TestHoldingLimiterHoldsTheTemperature(t *testing.T) {
	_, _, free, _ := limited(Limiter{Kind: "none", Sense: "hottest"})
	for _, sense := range []string{"hottest", "stage 5"} {
		early, late, hot, u := limited(Limiter{Kind: "hold", Sense: sense, AtC: free - 8, Cut: 0.1})
		near(t, "held temperature", hot, free-8, 0.3)
		if late > early-10 || u.limitedS < 1000 {
			t.Errorf("%.1f W early, %.1f W late, limited for %g s", early, late, u.limitedS)
		}
		if peak := u.peak[4]; peak > free-8+1 {
			t.Errorf("overshoot to %.2f with a set point of %.2f", peak, free-8)
		}
	}
	_, _, _, u := limited(Limiter{Kind: "hold", Sense: "die", AtC: 60, Cut: 0.1})
	near(t, "held die", u.t.die, 60, 0.3)
	_, _, hot, u := limited(Limiter{Kind: "hold", Sense: "hottest", AtC: 30, Cut: 0.6})
	near(t, "part that is never taken", u.lim.held, 0.6, 1e-9)
	if hot < 40 {
		t.Errorf("%.1f degC with 60 %% of the load left", hot)
	}
}

func TestTrippingLimiterCycles(t *testing.T) {
	_, _, free, _ := limited(Limiter{Kind: "none", Sense: "hottest"})
	o := quiet().Unit
	o.Limiter = Limiter{Kind: "trip", Sense: "hottest", AtC: free - 8, Hysteresis: 3, Cut: 0.35}
	u := newUnit(o, 23)
	u.script(1, 0)
	edges, was, first := 0, false, 0.0
	for i := range 2 * 3600 * 4 {
		u.run(i, 1)
		if now := u.lim.tripped; now != was {
			if edges++; edges == 1 {
				first = float64(i) * stepS
			}
			was = now
		}
		if s := float64(i) * stepS; s > 6000 && (u.t.stage[4] > free-8+1 || u.t.stage[4] < free-11-1) {
			t.Fatalf("%.2f degC at %g s with a band of %.1f to %.1f", u.t.stage[4], s, free-11, free-8)
		}
	}
	if edges < 40 {
		t.Errorf("%d edges in two hours", edges)
	}
	if first < 300 {
		t.Errorf("first trip after %g s, cold", first)
	}
}

func TestBoostLoopJitter(t *testing.T) {
	o := quiet().Unit
	o.Loss.TempCo = 0
	o.Boost = Boost{Factor: 1.2, For: 28 * time.Second}
	o.Loop = Loop{Every: 60 * time.Second, Gap: 5 * time.Second, Level: 0}
	o.Jitter = 0.01
	u := newUnit(o, 23)
	u.script(1, 100)
	span := u.loadP - u.idleP
	for _, c := range []struct {
		what   string
		t, jit float64
		want   float64
	}{
		{"boosted", 100, 0, 1.2}, {"boost's last step", 127.75, 0, 1.2}, {"boost over", 128, 0, 1},
		{"before the pause", 154.75, 0, 1}, {"pause", 155, 0, 0}, {"pause's end", 159.75, 0, 0}, {"next cycle", 160, 0, 1},
		{"noise", 130, 2, 1.02},
	} {
		near(t, c.what, (u.demand(c.t, c.jit)-u.idleP)/span, c.want, 1e-9)
	}
	u.script(0, 200)
	near(t, "idle", u.demand(200, 3), u.idleP, 0)
	u.script(0.5, 300)
	near(t, "second load boosts again", (u.demand(310, 0)-u.idleP)/span, 0.6, 1e-9)
}

func TestCrash(t *testing.T) {
	for _, c := range []struct {
		to                 string
		soon, after, again float64 // W: after the crash, a minute later, loaded again
	}{
		{"idle", 60, 60, 300}, {"off", 1.2, 1.2, 1.2}, {"restart", 1.2, 60, 300},
	} {
		o := linear()
		o.Crash = Crash{After: 10 * time.Minute, To: c.to, Down: 40 * time.Second}
		r, clk := newRig(t, func() Opts { q := quiet(); q.Unit = o; return q }())
		clk.t = time.Minute
		r.SetLoad(true)
		clk.t = 10*time.Minute + 59*time.Second
		near(t, c.to+": before", r.Truth().WallW, 300, 0.01)
		clk.t += 3 * time.Second
		near(t, c.to+": soon", r.Truth().WallW, c.soon, 0.01)
		clk.t += time.Minute
		near(t, c.to+": later", r.Truth().WallW, c.after, 0.01)
		r.SetLoad(true)
		clk.t += 20 * time.Minute
		near(t, c.to+": again", r.Truth().WallW, c.again, 0.01)
		if err := r.Mount(linear()); err != nil {
			t.Fatal(err)
		}
		clk.t += time.Minute
		near(t, c.to+": another unit", r.Truth().WallW, 60, 0.01)
	}
}
