package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// targetGroup is one rig as Prometheus's service discovery reads it, from a file
// (file_sd) or a service (http_sd).
type targetGroup struct {
	Targets []string          `json:"targets"`
	Labels  map[string]string `json:"labels"`
}

// pagePort is where soakd serves its page for Prometheus unless listen.http says
// otherwise.
const pagePort = 7641

// targetsFlags are the flags of soak targets.
type targetsFlags struct {
	file, listen string
	port         uint16
	labels       []string
}

// targetsCommand is soak targets.
func (s *session) targetsCommand() *cobra.Command {
	var o targetsFlags
	cmd := &cobra.Command{
		Use:   "targets",
		Short: "The list of rigs for Prometheus: file_sd or http_sd",
		Long: `Print the rigs as target groups for Prometheus, one for each with the label rig: the
name of the rigs file, or the host of an address. Rigs need not answer: a rig that is
down must stay in the list to be missed. With -f the file is replaced at once, as
file_sd wants it; with --listen the list is served for http_sd, and the rigs file is
read again for every request. A rig on a unix socket is left out and named.`,
		Example: `  soak targets -f /etc/prometheus/rigs.json
  soak targets --label room=east --rigs lab.yaml
  soak targets --listen 127.0.0.1:8090`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return s.targets(cmd.Context(), o) },
	}
	f := cmd.Flags()
	f.StringVarP(&o.file, "file", "f", "", "`FILE` to replace instead of printing")
	f.StringVar(&o.listen, "listen", "", "serve the list at `HOST:PORT` instead of printing it")
	f.Uint16Var(&o.port, "port", pagePort, "`PORT` of the rigs' pages (listen.http)")
	f.StringArrayVar(&o.labels, "label", nil, "`NAME=VALUE` for every rig; may be repeated")
	cmd.MarkFlagsMutuallyExclusive("file", "listen")
	return cmd
}

func (s *session) targets(ctx context.Context, o targetsFlags) error {
	list, err := s.targetGroups(o)
	if err != nil {
		return err
	}
	switch {
	case o.listen != "":
		return s.serveTargets(ctx, o)
	case o.file != "":
		return s.writeFile(o.file, true, func(w io.Writer) error { return writeJSON(w, list) })
	}
	return writeJSON(s.Stdout, list)
}

// targetGroups makes the list.
func (s *session) targetGroups(o targetsFlags) ([]targetGroup, error) {
	more, err := targetLabels(o.labels)
	if err != nil {
		return nil, err
	}
	rigs, err := s.addresses()
	if err != nil {
		return nil, err
	}
	list := []targetGroup{} // no rigs are [], not null
	seen := map[string]string{}
	for _, r := range rigs {
		host, _, err := net.SplitHostPort(r.address)
		if strings.HasPrefix(r.address, "unix:") || err != nil || host == "" {
			s.progress("rig %s is left out: %q has no host that a Prometheus could ask", r.name, r.address)
			continue
		}
		name := r.name
		if name == r.address {
			name = host
		}
		target := net.JoinHostPort(host, strconv.Itoa(int(o.port)))
		if other, ok := seen[target]; ok {
			s.progress("rig %s is left out: %s is rig %s already", name, target, other)
			continue
		}
		seen[target] = name
		g := targetGroup{Targets: []string{target}, Labels: map[string]string{"rig": name}}
		for _, l := range more {
			g.Labels[l[0]] = l[1]
		}
		list = append(list, g)
	}
	return list, nil
}

// targetLabels reads NAME=VALUE, with the names that Prometheus takes for targets.
func targetLabels(texts []string) (all [][2]string, err error) {
	letter := func(r rune) bool { return r == '_' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }
	for _, text := range texts {
		name, value, ok := strings.Cut(text, "=")
		bad := strings.ContainsFunc(name, func(r rune) bool { return !letter(r) && (r < '0' || r > '9') })
		switch {
		case !ok || name == "" || bad || !letter(rune(name[0])):
			return nil, usagef("--label %q: want NAME=VALUE, with a name of letters, digits and _", text)
		case strings.HasPrefix(name, "__") || slices.Contains([]string{"rig", "job", "instance"}, name):
			return nil, usagef("--label %q: %s is set by the list, or by Prometheus", text, name)
		}
		all = append(all, [2]string{name, value})
	}
	return all, nil
}

// serveTargets serves the list until ctx ends.
func (s *session) serveTargets(ctx context.Context, o targetsFlags) error {
	l, err := net.Listen("tcp", o.listen)
	if err != nil {
		return usagef("--listen: %w", err)
	}
	server := &http.Server{ReadHeaderTimeout: 10 * time.Second, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.Error(w, "GET only", http.StatusMethodNotAllowed)
			return
		}
		list, err := s.targetGroups(o)
		var body []byte
		if err == nil {
			body, err = json.Marshal(list)
		}
		if err != nil { // Prometheus keeps the list that it has
			s.progress("list of rigs: %v", err)
			http.Error(w, "the rigs file can't be read: see the log of soak targets", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(body) // a client that has gone is nobody's problem
	})}
	s.progress("list of rigs at http://%s/", l.Addr())
	stop := context.AfterFunc(ctx, func() { _ = server.Close() })
	defer stop()
	if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the list of rigs: %w", err)
	}
	return nil
}
