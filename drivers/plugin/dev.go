package plugin

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"soakrig/drivers"
	"soakrig/drivers/bus"
	"soakrig/drivers/bus/line"
	driverv1 "soakrig/proto/soakrig/driver/v1"
)

// hangs is how many reads in a row may miss their deadline before the process is
// stopped and started again.
const hangs = 3

// Dev is one source behind a process.
type Dev struct {
	source  string
	req     *driverv1.OpenRequest
	command []string
	start   time.Duration
	now     func() time.Time // of the rig
	log     func(string)
	convs   []drivers.Converter
	wait    line.Backoff
	late    int // reads in a row that missed their deadline

	mu     sync.Mutex // guards all below
	proc   *process
	closed bool
	cancel context.CancelFunc // ends a launch or read that is under way; nil: none
}

var _ drivers.Device = (*Dev)(nil)

// Converters says what the codes mean, one per input.
func (d *Dev) Converters() []drivers.Converter { return d.convs }

// begin arms Close to end what follows; end must be called.
func (d *Dev) begin(ctx context.Context) (context.Context, func(), error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil, nil, bus.ErrClosed
	}
	ctx, cancel := context.WithCancel(ctx)
	d.cancel = cancel
	return ctx, func() {
		cancel()
		d.mu.Lock()
		d.cancel = nil
		d.mu.Unlock()
	}, nil
}

// launch starts the process and opens its source.
func (d *Dev) launch(ctx context.Context) error {
	ctx, end, err := d.begin(ctx)
	if err != nil {
		return err
	}
	defer end()
	ctx, cancel := context.WithTimeout(ctx, d.start)
	defer cancel()
	if err := ctx.Err(); err != nil {
		return err // before a process starts
	}
	p, err := start(ctx, d.command, d.log)
	if err != nil {
		return err
	}
	resp, err := driverv1.NewDriverServiceClient(p.conn).Open(ctx, d.req)
	var convs []drivers.Converter
	if err == nil {
		convs, err = converters(resp.GetConverters(), len(d.req.Inputs))
	}
	if err == nil && d.convs != nil && !reflect.DeepEqual(d.convs, convs) {
		err = fmt.Errorf("%w: its converters changed with a restart; restart soakd", errContract)
	}
	if err != nil {
		text := p.said()
		return errors.Join(fmt.Errorf("open: %w%s", plain(err), text), p.stop())
	}
	d.mu.Lock()
	closed := d.closed
	if !closed {
		d.proc, d.convs = p, convs
	}
	d.mu.Unlock()
	if closed {
		return errors.Join(bus.ErrClosed, p.stop())
	}
	return nil
}

// plain drops gRPC's frame around a refusal that the process words itself.
func plain(err error) error {
	if s, ok := status.FromError(err); ok && s.Code() == codes.InvalidArgument {
		return errors.New(s.Message())
	}
	return err
}

// Read takes one sample from the process, or starts it again when the pause after its
// end is over.
func (d *Dev) Read(ctx context.Context, out []drivers.Reading) error {
	begun := d.now()
	resp, err := d.read(ctx)
	if err != nil {
		err = fmt.Errorf("source %s: %w", d.source, err)
		return fail(out, faults(err), err)
	}
	if got := len(resp.GetReadings()); got != len(out) {
		err := fmt.Errorf("source %s: %w: %d readings for %d inputs", d.source, errContract, got, len(out))
		return fail(out, drivers.Corrupt, err)
	}
	transit := max(d.now().Sub(begun)/2, 0)
	for i, w := range resp.GetReadings() {
		take(w, &out[i])
		out[i].Age += transit
	}
	return nil
}

func fail(out []drivers.Reading, f drivers.Faults, err error) error {
	for i := range out {
		out[i] = drivers.Reading{Faults: f, Cause: err}
	}
	return err
}

func faults(err error) drivers.Faults {
	if errors.Is(err, context.DeadlineExceeded) {
		return drivers.Timeout
	}
	return drivers.BusError
}

func (d *Dev) read(ctx context.Context) (*driverv1.ReadResponse, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p, err := d.running(ctx)
	if err != nil {
		return nil, err
	}
	rctx, end, err := d.begin(ctx)
	if err != nil {
		return nil, err
	}
	defer end()
	resp, err := driverv1.NewDriverServiceClient(p.conn).Read(rctx, &driverv1.ReadRequest{})
	if err == nil {
		d.late = 0
		d.wait.Reset()
		return resp, nil
	}
	return nil, d.failed(ctx, p, err)
}

// failed words what went wrong with a call and gives up a process that is of no use.
func (d *Dev) failed(ctx context.Context, p *process, err error) error {
	d.mu.Lock()
	closed := d.closed
	d.mu.Unlock()
	if closed {
		return fmt.Errorf("%w: %w", bus.ErrClosed, err)
	}
	over := ctx.Err()
	if status.Code(err) == codes.DeadlineExceeded {
		over = context.DeadlineExceeded // the process noticed first
	}
	if over != nil {
		err = fmt.Errorf("%w: %w", over, err)
		if over != context.DeadlineExceeded {
			return err
		}
		if d.late++; d.late < hangs {
			return err
		}
		err = fmt.Errorf("no answer %d times, the process is started again: %w", hangs, err)
	} else if status.Code(err) != codes.Unavailable {
		return err // the process lives and says what is wrong
	}
	return d.giveUp(p, err)
}

// giveUp ends a process; the next Read after the pause starts another one.
func (d *Dev) giveUp(p *process, err error) error {
	d.late = 0
	text := p.said()
	left := p.stop()
	if end := p.ended(); end != nil {
		err = fmt.Errorf("%w: process: %w", err, end)
	}
	err = fmt.Errorf("%w%s", err, text)
	d.mu.Lock()
	d.proc = nil
	d.mu.Unlock()
	d.wait.Fail(time.Now(), err)
	return errors.Join(err, left)
}

// running returns the process, after starting it if there is none.
func (d *Dev) running(ctx context.Context) (*process, error) {
	d.mu.Lock()
	p, closed := d.proc, d.closed
	d.mu.Unlock()
	switch {
	case closed:
		return nil, bus.ErrClosed
	case p != nil && p.alive():
		return p, nil
	case p != nil:
		return nil, d.giveUp(p, errors.New("the driver's process ended"))
	}
	if err := d.wait.Err(time.Now()); err != nil {
		return nil, err
	}
	if err := d.launch(ctx); err != nil {
		if ctx.Err() == nil {
			d.wait.Fail(time.Now(), err)
		}
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.proc == nil {
		return nil, bus.ErrClosed
	}
	return d.proc, nil
}

// Close ends the process; a running Read returns at once. It takes two seconds at most.
func (d *Dev) Close() error {
	d.mu.Lock()
	p := d.proc
	d.proc, d.closed = nil, true
	if d.cancel != nil {
		d.cancel()
	}
	d.mu.Unlock()
	if p == nil {
		return nil
	}
	return p.stop()
}
