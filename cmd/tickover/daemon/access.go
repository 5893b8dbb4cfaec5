package daemon

import (
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"github.com/prometheus/exporter-toolkit/web"
	"go.yaml.in/yaml/v4"
	"golang.org/x/sys/unix"

	"tickover/cmd/tickover/page"
	"tickover/config"
	"tickover/model"
)

// guard is what a web configuration asks of readers.
type guard struct {
	users     bool // a password
	password  bool // a password or a client's certificate
	encrypted bool
	Names     []string // of the certificate
}

// ReadGuard checks the web configuration file and says what it asks for. An
// empty path asks for nothing.
func ReadGuard(path string) (guard, error) {
	if path == "" {
		return guard{}, nil
	}
	refused := func(err error) error {
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("web config %s: %w", path, err),
			Hint: "see the example in the documentation of access; passwords are bcrypt hashes, paths are relative to the file"}
	}
	if err := web.Validate(path); err != nil {
		return guard{}, refused(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return guard{}, refused(err)
	}
	var asks struct {
		Users map[string]string `yaml:"basic_auth_users"`
		TLS   struct {
			Cert   string `yaml:"cert"`
			File   string `yaml:"cert_file"`
			Client string `yaml:"client_auth_type"`
		} `yaml:"tls_server_config"`
	}
	if err := yaml.Unmarshal(text, &asks); err != nil {
		return guard{}, refused(err)
	}
	certificate := []byte(asks.TLS.Cert)
	if asks.TLS.File != "" {
		at := asks.TLS.File
		if !filepath.IsAbs(at) {
			at = filepath.Join(filepath.Dir(path), at)
		}
		if certificate, err = os.ReadFile(at); err != nil {
			return guard{}, refused(err)
		}
	}
	return guard{
		Names:     certificateNames(certificate),
		users:     len(asks.Users) > 0,
		password:  len(asks.Users) > 0 || asks.TLS.Client == "RequireAndVerifyClientCert",
		encrypted: asks.TLS.Cert+asks.TLS.File != "",
	}, nil
}

// CheckAccess refuses to serve strangers: an address that others can reach
// needs a password, or the configuration's word that none is wanted.
func CheckAccess(cfg *config.Config, log *slog.Logger) error {
	if !config.IsAddress(cfg.Listen) {
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("%q is not a host and port", cfg.Listen), Hint: "write it as " + config.DefaultListen}
	}
	g, err := ReadGuard(cfg.WebConfig)
	if err != nil {
		return err
	}
	if g.users && cfg.ReadByToken {
		return &model.Fault{Code: model.ConfigFault, Err: errors.New("readers need both a password and the reading token"),
			Hint: "a program can send only one: remove basic_auth_users, or remove reading: by token"}
	}
	if !config.Reachable(cfg.Listen) {
		return nil
	}
	if !g.password && !cfg.Unauthenticated && !cfg.ReadByToken {
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("%s can be reached by other computers without a password", cfg.Listen),
			Hint: "add a web config with basic_auth_users, or reading: by token, or reading without password: allowed"}
	}
	if (g.password || cfg.ReadByToken) && !g.encrypted {
		log.Warn("passwords cross the network unencrypted", "listen", cfg.Listen, "hint", "give the web config a certificate: tls_server_config")
	}
	return nil
}

// What one reader, and all together, may take.
const (
	mostConnections = 256
	addressShare    = 192 // of one address, as of a proxy
	headerTimeout   = 5 * time.Second
	idleTimeout     = 2 * time.Minute
	largestHeader   = 1 << 16
)

// NewServer makes a server that no slow or greedy reader can hold up; the page
// bounds bodies and answers.
func NewServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{Handler: page.Serving(page.Guarded(h)), ReadHeaderTimeout: headerTimeout, IdleTimeout: idleTimeout, MaxHeaderBytes: largestHeader, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}
}

// serveNetwork serves the network with what the web configuration asks for.
//
// The library puts its check of passwords in front of the server's handler when
// it begins to serve. BaseContext is called right after that and before the
// first connection, so that our own guard stands in front of the check.
func serveNetwork(s *http.Server, l net.Listener, webConfig string, log *slog.Logger) error {
	share := addressShare
	if l.Addr().Network() == "unix" {
		share = mostConnections
	}
	gate, passwords := page.NewGate(l, mostConnections, share), page.NewPasswords()
	s.ConnContext = gate.ConnContext
	s.Handler = passwords.Behind(s.Handler)
	s.BaseContext = func(net.Listener) context.Context {
		s.Handler = passwords.Before(s.Handler)
		return context.Background()
	}
	return web.Serve(gate, s, &web.FlagConfig{WebConfigFile: &webConfig}, quiet(log))
}

// hostNames are the names under which the page may be asked for: the computer's
// own, those of the configuration, and those of the certificate.
func hostNames(cfg *config.Config, g guard) []string {
	own, _ := os.Hostname() // empty at worst, and then there is one name less
	return slices.Concat([]string{own}, cfg.Names, g.Names)
}

// certificateNames are the names that a certificate is for; none when it cannot
// be read, which its check says.
func certificateNames(pemText []byte) []string {
	block, _ := pem.Decode(pemText)
	if block == nil {
		return nil
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil
	}
	return c.DNSNames
}

// quiet drops what the library says when all is well.
func quiet(log *slog.Logger) *slog.Logger { return slog.New(warnings{log.Handler()}) }

type warnings struct{ slog.Handler }

// Enabled implements slog.Handler.
func (w warnings) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && w.Handler.Enabled(ctx, l)
}

// listenOn opens the address, or says why not. The kernel hands over a
// connection with its first bytes, so that one that sends none takes no place.
func listenOn(address string) (net.Listener, error) {
	settings := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
		return c.Control(func(fd uintptr) { // a kernel without it is no reason to have no page
			_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_DEFER_ACCEPT, int(headerTimeout/time.Second))
		})
	}}
	l, err := settings.Listen(context.Background(), "tcp", address)
	if err == nil {
		return l, nil
	}
	hint := "choose another address with --listen, or see which program has it: ss -ltnp"
	var op *net.OpError
	if errors.As(err, &op) && errors.Is(op, os.ErrPermission) {
		hint = "ports below 1024 belong to the system: choose a higher one with --listen"
	}
	return nil, &model.Fault{Code: model.RuntimeFault, Err: fmt.Errorf("listen on %s: %w", address, err), Hint: hint}
}

// DrainAccept takes the socket's name away, so that nobody new finds it, and waits
// until its server has let in who had connected before: to close it over
// their heads would reset them, and they could not know whether what they
// sent was kept.
func DrainAccept(ctx context.Context, l *net.UnixListener) error {
	if err := os.Remove(l.Addr().String()); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	raw, err := l.SyscallConn()
	if err != nil {
		return err
	}
	for empty := 0; empty < 2; { // twice: one may have been between finding the name and queuing
		var waiting int
		var failed error
		err := raw.Control(func(fd uintptr) {
			waiting, failed = unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 0)
		})
		switch err = errors.Join(err, failed); {
		case errors.Is(err, unix.EINTR):
		case err != nil:
			return err
		case waiting > 0:
			empty = 0
		default:
			empty++
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Millisecond):
		}
	}
	return nil
}
