package config

import (
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// tlsKeys and accessKeys say how to be let in by a server.
var (
	tlsKeys    = []string{"trust file", "certificate file", "key file", "server name"}
	userKeys   = []string{"user", "password file", "password from"}
	accessKeys = slices.Concat(tlsKeys, userKeys, []string{"bearer file", "bearer from", "headers"})
)

// access reads how to be let in by a server.
func (r *parser) access(sec section) model.Access {
	a := model.Access{
		TLS: model.TLS{Authority: r.file(sec, "trust file"),
			Certificate: r.file(sec, "certificate file"),
			Key:         r.file(sec, "key file"), ServerName: sec.textOf("server name")},
		User: sec.textOf("user"), Password: r.secret(sec, "password"),
		Bearer: r.secret(sec, "bearer"),
	}
	for _, n := range sec.items("headers") {
		if h, ok := r.header(sec.sourceText, n); ok {
			a.Headers = append(a.Headers, h)
		}
	}
	pairs := []struct {
		one, other string
		has, needs bool
	}{
		{"certificate file", "key file", a.TLS.Certificate != "", a.TLS.Key == ""},
		{"key file", "certificate file", a.TLS.Key != "", a.TLS.Certificate == ""},
		{"user", "password file", a.User != "", !a.Password.Given()},
	}
	for _, p := range pairs {
		if p.has && p.needs && !sec.misspelt[p.other] {
			sec.wrong(sec.at(p.one), "add "+p.other+": ...", "%q needs %q as well", p.one, p.other)
		}
	}
	if a.Bearer.Given() && a.User != "" {
		sec.wrong(sec.at("user"), "keep one of them",
			"a user and a bearer token cannot be used together")
	}
	return a
}

// file reads a path; relative ones begin at the configuration's folder.
func (r *parser) file(sec section, key string) string {
	t, ok := sec.text(key)
	if !ok {
		return ""
	}
	return r.path(t)
}

var environmentName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// secret reads where a secret is kept: "<what> file" or "<what> from".
func (r *parser) secret(sec section, what string) model.Secret {
	s := model.Secret{File: r.file(sec, what+" file")}
	name, ok := sec.text(what + " from")
	switch {
	case !ok:
	case s.File != "":
		sec.wrong(sec.at(what+" from"), "keep one of them", "%q and %q are both given",
			what+" file", what+" from")
	case !environmentName.MatchString(name):
		sec.wrong(sec.at(what+" from"),
			"write the name of an environment variable, not the secret itself",
			"this is not the name of an environment variable")
	default:
		s.Environment = name
	}
	return s
}

var headerName = regexp.MustCompile(`^[A-Za-z0-9-]+$`)

func (r *parser) header(s *sourceText, n *yaml.Node) (model.Header, bool) {
	sec, ok := s.section(n, "the header", "name", "value", "value file", "value from")
	if !ok || !sec.need("name") {
		return model.Header{}, false
	}
	h := model.Header{Name: sec.textOf("name"), Value: sec.textOf("value"),
		Secret: r.secret(sec, "value")}
	switch {
	case !headerName.MatchString(h.Name):
		sec.wrong(sec.at("name"), "use letters, digits and -", "%q is not a valid header name",
			h.Name)
	case strings.ContainsAny(h.Value, "\r\n"):
		sec.wrong(sec.at("value"), "write it on one line",
			"a header cannot have more than one line")
	case h.Value == "" && !h.Secret.Given() && sec.values["value"] == nil:
		sec.wrong(sec.node, "add value: ..., or value file: ... for a secret",
			"the header has no value")
	case h.Value != "" && h.Secret.Given():
		sec.wrong(sec.at("value"), "keep one of them", "the header has two values")
	default:
		return h, true
	}
	return h, false
}

// url reads the address of a server that is spoken to by HTTP. Passwords may
// travel to this computer or by TLS only.
func (s section) url(key string, a model.Access) string {
	t, ok := s.text(key)
	if !ok {
		return ""
	}
	u, err := url.Parse(t)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		s.wrong(s.at(key), "write it as https://host:port/path", "this is not a server address")
	case u.User != nil:
		s.wrong(s.at(key), "remove it and add user: and password file:",
			"an address must not contain a password, because it is shown")
	case u.Scheme == "http" && !Loopback(u.Hostname()) && (a.Password.Given() || a.Bearer.Given()):
		s.wrong(s.at(key), "use https://", "a password would be sent unencrypted to %s", u.Host)
	default:
		return t
	}
	return ""
}

// address reads where a server is: the key itself, or "<key> file" or "<key>
// from" for an address that holds a token.
func (r *parser) address(sec section, key string, a model.Access) (string, model.Secret) {
	from := r.secret(sec, key)
	if from.Given() && sec.values[key] != nil {
		sec.wrong(sec.at(key), "keep one of them", "the address is given twice")
	}
	return sec.url(key, a), from
}

// needAddress asks for one of the keys of an address.
func (s section) needAddress(key string) bool {
	if s.values[key+" file"] != nil || s.values[key+" from"] != nil {
		return true
	}
	return s.need(key)
}

// addressKeys are the keys of an address.
func addressKeys(key string) []string { return []string{key, key + " file", key + " from"} }

const hostLabel = `[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?`

var hostName = regexp.MustCompile(`^` + hostLabel + `(\.` + hostLabel + `)*$`)

// hostNames reads a list of names of this computer, without ports.
func (s section) hostNames(key string) []string {
	names, nodes := s.list(key)
	for i, n := range names {
		if !hostName.MatchString(n) {
			s.wrong(nodes[i], "write it as skid7.example, without http:// and port",
				"%q is not a valid host name", n)
		}
	}
	return names
}

// hostPort reads the address of a server that is not spoken to by HTTP.
func (s section) hostPort(key, example string) string {
	t, ok := s.text(key)
	if !ok {
		return ""
	}
	host, port, err := net.SplitHostPort(t)
	if err != nil || host == "" || !isPort(port) {
		s.wrong(s.at(key), "write it as "+example, "%q is not a host and port", t)
		return ""
	}
	return t
}
