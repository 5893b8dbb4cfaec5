package daemon

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"syscall"
	"time"

	"tickover/config"
	"tickover/model"
)

// Encryption makes the settings of encrypted connections.
func Encryption(t model.TLS) (*tls.Config, error) {
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

// Address is where an outlet's server is: a URL, or where the URL is kept. An
// address may hold a token, so that requests name a stand-in and errors with it
// until they leave.
type Address struct {
	url  string
	From model.Secret
}

// StandIn is what the requests of an outlet name in place of its address.
func StandIn(outlet string) string { return "http://" + outlet }

// authTransport sends requests to the outlet's address, adds passwords to them
// and hints to every failure.
type authTransport struct {
	access  model.Access
	to      Address // the zero value leaves requests where they go
	secrets *Secrets
	next    *http.Transport
}

// Client makes the HTTP client of an outlet. It follows no redirects: a
// password is for the server that was named.
func (s *Secrets) Client(a model.Access, to Address) (*http.Client, error) {
	settings, err := Encryption(a.TLS)
	if err != nil {
		return nil, err
	}
	return &http.Client{
		Timeout: time.Minute,
		Transport: &authTransport{a, to, s, &http.Transport{
			Proxy: http.ProxyFromEnvironment, TLSClientConfig: settings, ForceAttemptHTTP2: true,
			DialContext:         (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
			TLSHandshakeTimeout: 10 * time.Second, ResponseHeaderTimeout: 30 * time.Second,
			MaxIdleConnsPerHost: 1, IdleConnTimeout: 90 * time.Second,
		}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, nil
}

// RoundTrip implements http.RoundTripper.
func (t *authTransport) RoundTrip(req *http.Request) (*http.Response, error) {
	req = req.Clone(req.Context())
	err := t.locate(req)
	if err == nil {
		err = t.sign(req)
	}
	if err != nil {
		return nil, err
	}
	resp, err := t.next.RoundTrip(req)
	if err != nil {
		return nil, WithHint(err)
	}
	return resp, nil
}

// locate puts the outlet's address in place of the stand-in.
func (t *authTransport) locate(req *http.Request) error {
	if t.to == (Address{}) {
		return nil
	}
	text := t.to.url
	if t.to.From.Given() {
		var err error
		if text, err = t.secrets.read(t.to.From); err != nil {
			return err
		}
	}
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.User != nil:
		return &model.Fault{Err: fmt.Errorf("the address in %s is not a server address", t.to.From), Hint: "write it as https://host:port/path, without user and password"}
	case t.to.From.Given() && u.Scheme == "http" && !config.Loopback(u.Hostname()):
		return &model.Fault{Err: fmt.Errorf("the address in %s would be sent unencrypted", t.to.From), Hint: "use https://"}
	}
	t.secrets.rememberAddress(u)
	if below := req.URL.Path; below != "" && below != "/" {
		u.Path = cmp.Or(u.Path, "/") // else the joined path has no slash in front
		u = u.JoinPath(below)
	}
	req.URL, req.Host = u, ""
	return nil
}

func (t *authTransport) sign(req *http.Request) error {
	for _, h := range t.access.Headers {
		value := h.Value
		if h.Secret.Given() {
			var err error
			if value, err = t.secrets.read(h.Secret); err != nil {
				return err
			}
		}
		req.Header.Set(h.Name, value)
	}
	if t.access.User != "" {
		password, err := t.secrets.read(t.access.Password)
		if err != nil {
			return err
		}
		t.secrets.Remember(t.access.User + ":" + password)
		req.SetBasicAuth(t.access.User, password)
	}
	if t.access.Bearer.Given() {
		token, err := t.secrets.read(t.access.Bearer)
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return nil
}

// WithHint says of a failed connection what to do about it.
func WithHint(err error) error {
	var known *model.Fault
	if err == nil || errors.As(err, &known) {
		return err
	}
	return &model.Fault{Err: err, Hint: networkHint(err)}
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
		return "no trusted authority signed the server's certificate: name its authority with trust file:"
	case errors.As(err, &misnamed):
		return "the certificate is for another name: use that name in the address, or give it as server name:"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "the certificate is not valid at this time: renew it, and check both clocks"
	case errors.As(err, &invalid):
		return "the server's certificate is not fit for this use"
	case errors.As(err, &record):
		return "the server does not speak TLS at this port: use http:// or another port"
	case errors.As(err, &name):
		return "the name is not known: check its spelling and the network"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there: start the server, or check host and port"
	case errors.Is(err, context.DeadlineExceeded), os.IsTimeout(err):
		return "the server does not reply in time: check the network and any firewall"
	}
	return "check the network; unsent data is kept and sent later"
}
