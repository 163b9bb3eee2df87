package plugin

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

// The handshake: what a process finds in its environment, and the two versions it says.
const (
	cookieKey   = "SOAKRIG_DRIVER"
	cookieValue = "1a7c0e"
	coreVersion = "1" // of the handshake
	appVersion  = "1" // of the contract
)

// Times that a process gets to end: by itself, and once it was killed.
const (
	graceTime = time.Second
	killTime  = time.Second
	maxLine   = 8 << 10 // bytes of one line that is kept
)

// process is one run of a command, from its start to its end.
type process struct {
	cmd   *exec.Cmd
	stdin io.Closer
	dir   string // for its socket
	conn  *grpc.ClientConn
	done  chan struct{} // closed when it has ended

	mu   sync.Mutex // guards all below
	last string     // the last line it wrote to standard error
	err  error      // how it ended, once done is closed
}

// start runs a command until it serves. ctx limits that, not the process's life.
func start(ctx context.Context, command []string, log func(string)) (*process, error) {
	dir, err := os.MkdirTemp("", "soakd-driver-")
	if err != nil {
		return nil, err
	}
	p := &process{dir: dir, done: make(chan struct{})}
	p.cmd = exec.Command(command[0], command[1:]...)
	p.cmd.Env = append(os.Environ(), cookieKey+"="+cookieValue, "PLUGIN_PROTOCOL_VERSIONS="+appVersion, "PLUGIN_UNIX_SOCKET_DIR="+dir)
	p.cmd.WaitDelay = killTime // for a grandchild that holds the pipes
	ownGroup(p.cmd)
	first := make(chan string, 1)
	served := false
	p.cmd.Stdout = &lineWriter{f: func(text string) {
		if !served {
			served = true
			first <- text
			return
		}
		log(text)
	}}
	p.cmd.Stderr = &lineWriter{f: func(text string) {
		p.mu.Lock()
		p.last = text
		p.mu.Unlock()
		log(text)
	}}
	if p.stdin, err = p.cmd.StdinPipe(); err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	if err := p.run(); err != nil {
		return nil, errors.Join(fmt.Errorf("start %s: %w", command[0], err), os.RemoveAll(dir))
	}
	if err := p.shake(ctx, first); err != nil {
		p.stop()
		return nil, fmt.Errorf("%s: %w%s", command[0], err, p.said())
	}
	return p, nil
}

// run starts the command on a thread that lives as long as it does: the kernel takes
// that thread for the parent whose end kills the process.
func (p *process) run() error {
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.cmd.Start()
		started <- err
		if err != nil {
			return
		}
		err = p.cmd.Wait()
		p.mu.Lock()
		if p.err = err; err == nil {
			p.err = errors.New("ended by itself")
		}
		p.mu.Unlock()
		close(p.done)
	}()
	return <-started
}

// lineWriter hands out what is written line by line, of a long one the beginning.
type lineWriter struct {
	f   func(string)
	buf []byte
}

func (w *lineWriter) Write(p []byte) (int, error) {
	for rest := p; len(rest) > 0; {
		text, after, ended := bytes.Cut(rest, []byte("\n"))
		w.buf = append(w.buf, text[:min(len(text), max(maxLine-len(w.buf), 0))]...)
		rest = after
		if ended {
			if line := strings.TrimRight(strings.ToValidUTF8(string(w.buf), "?"), "\r"); line != "" {
				w.f(line)
			}
			w.buf = w.buf[:0]
		}
	}
	return len(p), nil
}

// shake waits for the line that says where the process serves, and connects.
func (p *process) shake(ctx context.Context, first <-chan string) error {
	var text string
	select {
	case text = <-first:
	case <-p.done:
		return fmt.Errorf("ended before it served: %w", p.ended())
	case <-ctx.Done():
		return fmt.Errorf("did not say where it serves: %w", ctx.Err())
	}
	target, err := parseHandshake(text)
	if err != nil {
		return err
	}
	p.conn, err = grpc.NewClient(target, grpc.WithTransportCredentials(insecure.NewCredentials()))
	return err
}

// parseHandshake returns the gRPC target of a handshake line.
func parseHandshake(text string) (string, error) {
	f := strings.Split(strings.TrimSpace(text), "|")
	if len(f) < 5 {
		return "", fmt.Errorf("%w: %q is not 1|1|unix|PATH|grpc", errContract, text)
	}
	switch {
	case f[0] != coreVersion:
		return "", fmt.Errorf("%w: version %s of the handshake, not %s", errContract, f[0], coreVersion)
	case f[1] != appVersion:
		return "", fmt.Errorf("%w: version %s of the driver contract, not %s; update the driver", errContract, f[1], appVersion)
	case f[4] != "grpc":
		return "", fmt.Errorf("%w: protocol %q, not grpc", errContract, f[4])
	case f[2] == "unix" && strings.HasPrefix(f[3], "/"):
		return "unix:" + f[3], nil
	case f[2] == "tcp":
		host, _, err := net.SplitHostPort(f[3])
		if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsLoopback() {
			return "passthrough:///" + f[3], nil
		}
	}
	return "", fmt.Errorf("%w: address %s %s: a unix socket's path or a loopback address", errContract, f[2], f[3])
}

// ended says how the process ended, once it has.
func (p *process) ended() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

// said is the last line of standard error, for the end of an error message.
func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.last == "" {
		return ""
	}
	return "; it wrote: " + p.last
}

// alive says that the process has not ended.
func (p *process) alive() bool {
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// stop ends the process and what it started: asked to, then killed. It takes two
// seconds at most; the error says that something is left.
func (p *process) stop() error {
	var errs []error
	if p.conn != nil {
		errs = append(errs, p.conn.Close())
	}
	p.stdin.Close() // an error means that it is closed already
	terminate(p.cmd)
	if !p.wait(graceTime) {
		kill(p.cmd)
		if !p.wait(killTime + graceTime) {
			errs = append(errs, fmt.Errorf("process %d can't be killed", p.cmd.Process.Pid))
		}
	}
	kill(p.cmd) // what it has started and left behind
	return errors.Join(append(errs, os.RemoveAll(p.dir))...)
}

func (p *process) wait(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-p.done:
		return true
	case <-t.C:
		return false
	}
}
