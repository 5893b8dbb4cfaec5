package config

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// What holds where the file says nothing.
const (
	DefaultListen   = "127.0.0.1:8485"
	DefaultStateDir = "/var/lib/tickover"
)

// defaultPowerFactor is what three-phase sets are rated at (common practice).
const defaultPowerFactor = 0.8

// Config is a configuration without mistakes.
type Config struct {
	Setup  model.Setup
	Listen string // host:port of page, API and metrics; DefaultListen when not given
	// Unauthenticated says that the file asks in so many words for reading
	// without a password.
	Unauthenticated bool
	// under which the page is reached, besides addresses and the computer's own name
	Names       []string
	ReadByToken bool   // who reads over the network needs the reading token
	WebConfig   string // path of the file with certificates and passwords; empty means none
	StateDir    string // folder of the store and the socket; DefaultStateDir when not given
	Store       Retention
	Outlets     model.Outlets
}

// Load reads a configuration file. The error is Mistakes, or what the system
// said about the file.
func Load(path string) (*Config, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(path, text)
}

// Parse reads a configuration from its text. name is used in messages; relative
// paths in the text are relative to its folder. The error is Mistakes.
func Parse(name string, text []byte) (*Config, error) {
	r := &parser{folder: filepath.Dir(name)}
	s := newSourceText(name, text, &r.found)
	c := &Config{Listen: DefaultListen, StateDir: DefaultStateDir}
	c.Setup.Rating.PowerFactor = defaultPowerFactor
	if doc := s.document(text); doc != nil {
		r.top(s, doc, c)
	}
	if len(r.found) > 0 {
		return nil, r.found.sorted()
	}
	return c, nil
}

// parser is one pass over a configuration: what was read, each entry with its place, and
// what is wrong.
type parser struct {
	folder  string // relative paths start here
	found   Mistakes
	lines   []configLine
	devices []configDevice
	alarms  []configAlarm
}

func (r *parser) top(s *sourceText, doc *yaml.Node, c *Config) {
	known := slices.Concat([]string{"set", "listen", "host names", "reading",
		"reading without password", "web config", "state dir", "store", "supply", "lines",
		"devices", "alarms", "limit sets", "machine"}, outletKeys)
	top, ok := s.section(doc, "the configuration", known...)
	if !ok {
		return
	}
	if n := top.values["set"]; n != nil {
		c.Setup.Rating = readRating(s, n)
	}
	c.Setup.LimitSets = r.limitSets(s, top)
	r.listening(top, c)
	c.Store = r.retention(s, top)
	c.Setup.Machine = top.machine()
	c.Setup.Supply = s.supply(top, c.Setup.Rating.Battery)
	for _, n := range top.items("lines") {
		r.line(s, n)
	}
	for _, n := range top.items("devices") {
		r.device(s, n)
	}
	for _, n := range top.items("alarms") {
		r.alarm(s, n)
	}
	c.Outlets = r.outlets(top)
	r.check(top)
	r.collect(&c.Setup)
}

// collect puts what was read into the setup.
func (r *parser) collect(setup *model.Setup) {
	for _, l := range r.lines {
		setup.Lines = append(setup.Lines, l.Line)
	}
	for _, d := range r.devices {
		for _, p := range d.points {
			raw, sensed := p.parted()
			d.Device.Points = append(d.Device.Points, raw)
			if sensed != nil {
				if sensed.Every == 0 {
					sensed.Every = d.Every
				}
				setup.Sensed = append(setup.Sensed, *sensed)
			}
		}
		setup.Devices = append(setup.Devices, d.Device)
	}
	for _, a := range r.alarms {
		setup.Alarms = append(setup.Alarms, a.AlarmRule)
	}
}

func (r *parser) listening(top section, c *Config) {
	if t, ok := top.text("state dir"); ok {
		c.StateDir = r.path(t)
	}
	if t, ok := top.text("web config"); ok {
		c.WebConfig = r.path(t)
	}
	c.Names = top.hostNames("host names")
	c.Unauthenticated = top.choice("reading without password", []string{"refused", "allowed"}) == 1
	c.ReadByToken = top.choice("reading", []string{"open", "by token"}) == 1
	if c.ReadByToken && c.Unauthenticated {
		top.wrong(top.at("reading without password"), "keep one of them",
			"reading cannot need a token and be open to everyone")
	}
	t, ok := top.text("listen")
	if !ok {
		return
	}
	if !IsAddress(t) {
		top.wrong(top.at("listen"), "write it as "+DefaultListen, "%q is not a host and port", t)
		return
	}
	if Reachable(t) && c.WebConfig == "" && !c.Unauthenticated && !c.ReadByToken {
		top.wrong(top.at("listen"),
			"add web config: FILE, reading: by token, or reading without password: allowed",
			"other computers can reach %s without a password", t)
	}
	c.Listen = t
}

// IsAddress reports whether a text is a host, which may be empty, and a port.
func IsAddress(t string) bool {
	_, port, err := net.SplitHostPort(t)
	return err == nil && isPort(port)
}

// Reachable reports whether other computers can reach an address host:port. An
// address that cannot be read counts as reachable.
func Reachable(address string) bool {
	host, _, err := net.SplitHostPort(address)
	return err != nil || !Loopback(host)
}

// Loopback reports whether only this computer can reach the host, a name or an
// address without a port.
func Loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func isPort(text string) bool {
	p, err := wholeNumber(text)
	return err == nil && p >= 0 && p <= 65535
}

func hostOf(address string) string {
	host, _, _ := net.SplitHostPort(address)
	return host
}

// path makes a path of the file relative to the configuration's folder.
func (r *parser) path(p string) string {
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(r.folder, p)
}
