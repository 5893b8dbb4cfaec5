package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"syscall"
	"time"

	"tickover/model"
)

// secret reads a password, token or key. It is read anew for every use, so
// that a changed one holds at once.
func secret(s model.Secret) (string, error) {
	if s.Environment != "" {
		if v := os.Getenv(s.Environment); v != "" {
			return v, nil
		}
		return "", &model.OutletError{Err: fmt.Errorf("%s is empty", s), Hint: "set it where the daemon is started"}
	}
	f, err := os.Open(s.File)
	if err != nil {
		return "", &model.OutletError{Err: fmt.Errorf("read a secret: %w", err), Hint: "make the file, readable by the daemon's user alone"}
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Scan()
	if v := strings.TrimSpace(lines.Text()); v != "" {
		return v, nil
	}
	return "", &model.OutletError{Err: fmt.Errorf("%s is empty", s), Hint: "put the secret into its first line"}
}

// encryption makes the settings of encrypted connections.
func encryption(t model.TLS) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: t.ServerName}
	if t.Authority != "" {
		text, err := os.ReadFile(t.Authority)
		if err != nil {
			return nil, fmt.Errorf("read certificates to trust: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form", t.Authority)
		}
	}
	if t.Certificate != "" {
		own, err := tls.LoadX509KeyPair(t.Certificate, t.Key)
		if err != nil {
			return nil, fmt.Errorf("read our own certificate: %w", err)
		}
		c.Certificates = []tls.Certificate{own}
	}
	return c, nil
}

// admittance adds passwords to every request and hints to every failure.
type admittance struct {
	access model.Access
	next   *http.Transport
}

// client makes the HTTP client of an outlet. It follows no redirects: a
// password is for the server that was named.
func client(a model.Access) (*http.Client, error) {
	settings, err := encryption(a.TLS)
	if err != nil {
		return nil, err
	}
	return &http.Client{
		Timeout: time.Minute,
		Transport: &admittance{a, &http.Transport{
			Proxy: http.ProxyFromEnvironment, TLSClientConfig: settings, ForceAttemptHTTP2: true,
			DialContext:         (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
			TLSHandshakeTimeout: 10 * time.Second, ResponseHeaderTimeout: 30 * time.Second,
			MaxIdleConnsPerHost: 1, IdleConnTimeout: 90 * time.Second,
		}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, nil
}

// RoundTrip implements http.RoundTripper.
func (a *admittance) RoundTrip(req *http.Request) (*http.Response, error) {
	req = req.Clone(req.Context())
	if err := a.sign(req); err != nil {
		return nil, err
	}
	resp, err := a.next.RoundTrip(req)
	if err != nil {
		return nil, withHint(err)
	}
	return resp, nil
}

func (a *admittance) sign(req *http.Request) error {
	for _, h := range a.access.Headers {
		value := h.Value
		if h.Secret.Given() {
			var err error
			if value, err = secret(h.Secret); err != nil {
				return err
			}
		}
		req.Header.Set(h.Name, value)
	}
	if a.access.User != "" {
		password, err := secret(a.access.Password)
		if err != nil {
			return err
		}
		req.SetBasicAuth(a.access.User, password)
	}
	if a.access.Bearer.Given() {
		token, err := secret(a.access.Bearer)
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return nil
}

// withHint says of a failed connection what to do about it.
func withHint(err error) error {
	var known *model.OutletError
	if err == nil || errors.As(err, &known) {
		return err
	}
	return &model.OutletError{Err: err, Hint: networkHint(err)}
}

func networkHint(err error) string {
	var (
		stranger x509.UnknownAuthorityError
		misnamed x509.HostnameError
		invalid  x509.CertificateInvalidError
		record   tls.RecordHeaderError
		name     *net.DNSError
	)
	switch {
	case errors.As(err, &stranger):
		return "nobody we trust vouches for the server's certificate: name its authority with trust file:"
	case errors.As(err, &misnamed):
		return "the certificate is for another name: use that name in the address, or give it as server name:"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "the certificate is not valid at this time: renew it, and look at both clocks"
	case errors.As(err, &invalid):
		return "the server's certificate is not fit for this use"
	case errors.As(err, &record):
		return "the server does not speak TLS at this port: use http:// or another port"
	case errors.As(err, &name):
		return "the name is not known: look at its spelling and at the network"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there: start the server, or look at host and port"
	case errors.Is(err, context.DeadlineExceeded), os.IsTimeout(err):
		return "the server does not answer in time: look at the network and at what lies between"
	}
	return "look at the network; what waits is kept and sent later"
}
