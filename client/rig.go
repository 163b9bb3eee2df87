package client

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"soakrig/daemon/record"
	"soakrig/proto/recordpb"
	pb "soakrig/proto/soakrig/v1"
)

// Description is what a rig is.
type Description struct {
	Rig         string        `json:"rig"`
	Version     string        `json:"version"`   // of soakd
	Algorithm   string        `json:"algorithm"` // of the analysis
	Layout      record.Layout `json:"layout"`
	Journal     Journal       `json:"journal"`
	OpenRun     string        `json:"open_run"` // empty: none
	DefaultPlan record.Plan   `json:"default_plan"`
	Speed       float64       `json:"speed"`     // of the rig's clock: 1 on hardware
	Simulated   bool          `json:"simulated"` // nothing the rig says is a measurement
}

// Journal is the state of a rig's journal.
type Journal struct {
	ID             string `json:"journal_id"`
	Oldest         uint64 `json:"oldest"`
	Head           uint64 `json:"head"`
	DurableThrough uint64 `json:"durable_through"`
	Durable        bool   `json:"durable"` // false: samples stream but are not stored
	Text           string `json:"text"`    // why
	Bytes          uint64 `json:"bytes"`
	FreeBytes      uint64 `json:"free_bytes"`
}

// Health is how a rig is.
type Health struct {
	Rig         string    `json:"rig"`
	Serving     bool      `json:"serving"`
	Sources     []Source  `json:"sources"`
	Journal     Journal   `json:"journal"`
	OpenRun     string    `json:"open_run"`
	Wall        time.Time `json:"wall"` // as the rig believes it
	ClockSynced bool      `json:"clock_synced"`
}

// Source is the state of one source.
type Source struct {
	Source   string   `json:"source"`
	State    string   `json:"state"` // opened, failed, recovered, closed
	Text     string   `json:"text"`
	AgeS     *float64 `json:"age_s"` // of the newest sample; nil: there has been none
	Reads    uint64   `json:"reads"`
	Failures uint64   `json:"failures"`
	Late     uint64   `json:"late"`
}

func journalOf(m *pb.JournalState) Journal {
	return Journal{
		ID: m.GetJournalId(), Oldest: m.GetOldest(), Head: m.GetHead(), DurableThrough: m.GetDurableThrough(),
		Durable: m.GetDurable(), Text: m.GetText(), Bytes: m.GetBytes(), FreeBytes: m.GetFreeBytes(),
	}
}

// Describe asks what the rig is.
func (c *Client) Describe(ctx context.Context) (*Description, error) {
	resp, err := patient(ctx, c, "describe", 0, func(ctx context.Context) (*pb.DescribeResponse, error) {
		return c.rigs.Describe(ctx, &pb.DescribeRequest{})
	})
	if err != nil {
		return nil, err
	}
	d := &Description{
		Rig: resp.Rig, Version: resp.Version, Algorithm: resp.Algorithm, Journal: journalOf(resp.Journal),
		OpenRun: resp.OpenRun, Speed: resp.Speed, Simulated: resp.Simulated,
	}
	if err := recordpb.FromProto(resp.GetLayout(), &d.Layout); err != nil {
		return nil, c.newer("describe", err)
	}
	if err := recordpb.FromProto(resp.GetDefaultPlan(), &d.DefaultPlan); err != nil {
		return nil, c.newer("describe", err)
	}
	return d, nil
}

// Health asks how the rig is, once.
func (c *Client) Health(ctx context.Context) (*Health, error) {
	m, err := patient(ctx, c, "health", 0, func(ctx context.Context) (*pb.WatchHealthResponse, error) {
		stream, err := c.rigs.WatchHealth(ctx, &pb.WatchHealthRequest{})
		if err != nil {
			return nil, err
		}
		return stream.Recv()
	})
	if err != nil {
		return nil, err
	}
	return c.health(m)
}

// WatchHealth calls fn with the rig's state now, whenever it changes and at least
// every 5 s, across restarts of the rig, until fn returns an error or ctx ends; it
// returns that error. link may be nil.
func (c *Client) WatchHealth(ctx context.Context, link func(Link), fn func(*Health) error) error {
	return c.keep(ctx, keeping{op: "watch health", silence: 3 * heartbeat, link: link},
		func(ctx context.Context, conn *grpc.ClientConn, w *watchdog) error {
			stream, err := pb.NewRigServiceClient(conn).WatchHealth(ctx, &pb.WatchHealthRequest{})
			if err != nil {
				return err
			}
			for {
				m, err := stream.Recv()
				if err != nil {
					return err
				}
				w.heard()
				h, err := c.health(m)
				if err == nil {
					err = fn(h)
				}
				if err != nil {
					return &callersError{err}
				}
				w.wait()
			}
		})
}

func (c *Client) health(m *pb.WatchHealthResponse) (*Health, error) {
	h := &Health{
		Rig: m.Rig, Serving: m.Serving, Journal: journalOf(m.Journal), OpenRun: m.OpenRun,
		Wall: time.Unix(0, m.WallNs).UTC(), ClockSynced: m.ClockSynced,
	}
	h.Sources = make([]Source, 0, len(m.Sources))
	for _, one := range m.Sources {
		var s Source
		if err := recordpb.FromProto(one, &s); err != nil {
			return nil, c.newer("health", err)
		}
		h.Sources = append(h.Sources, s)
	}
	return h, nil
}
