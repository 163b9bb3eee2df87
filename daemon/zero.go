package daemon

import (
	"context"

	"soakrig/daemon/internal/rpc"
	"soakrig/daemon/internal/runs"
)

// ZeroCheck compares the probes of an unpowered rig.
func (v runsView) ZeroCheck(ctx context.Context, z rpc.ZeroCheck) (rpc.ZeroReport, error) {
	r, err := v.Manager.ZeroCheck(ctx, runs.ZeroCheck(z))
	if err != nil {
		return rpc.ZeroReport{}, err
	}
	out := rpc.ZeroReport{
		Passed: r.Passed, Text: r.Text, SpreadK: r.SpreadK, AllowedK: r.AllowedK, SlopeKPer10Min: r.SlopeKPer10Min,
		ReferenceC: r.ReferenceC, Trimmed: r.Trimmed,
	}
	for _, p := range r.Probes {
		out.Probes = append(out.Probes, rpc.ZeroProbe(p))
	}
	return out, nil
}
