package config

import (
	"net"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// configLine is a line with the place of its name.
type configLine struct {
	model.Line
	at *yaml.Node
}

var bauds = []int{300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800,
	115200, 230400, 460800, 921600}

// serialKeys mean something on a serial line only.
var serialKeys = []string{"baud", "parity", "stop bits", "silence", "direction by driver",
	"low latency"}

// lineKinds are the keys that give a line's address, in the order of model.LineKind.
var lineKinds = []string{"serial", "modbus tcp", "rtu over tcp"}

func (r *parser) line(s *sourceText, n *yaml.Node) {
	known := slices.Concat([]string{"name"}, lineKinds, serialKeys, []string{"timeout"})
	sec, ok := s.section(n, "the line", known...)
	if !ok {
		return
	}
	sec.need("name")
	l := model.Line{
		Name:        sec.name("name"),
		Timeout:     sec.duration("timeout", time.Millisecond, time.Minute),
		Silence:     sec.duration("silence", 0, time.Second),
		Parity:      model.Parity(sec.choice("parity", []string{"even", "odd", "none"})),
		KernelRS485: sec.yes("direction by driver"),
		LowLatency:  sec.yes("low latency"),
	}
	l.StopBits, _ = sec.whole("stop bits", 1, 2)
	l.Baud = sec.baud()
	sec.address(&l)
	r.lines = append(r.lines, configLine{l, sec.at("name")})
}

func (s section) baud() int {
	b, ok := s.whole("baud", 1, 1<<30)
	if !ok || slices.Contains(bauds, b) {
		return b
	}
	names := make([]string, len(bauds))
	for i, b := range bauds {
		names[i] = strconv.Itoa(b)
	}
	s.wrong(s.at("baud"), didYouMean(strconv.Itoa(b), names), "%d Bd is not a supported rate", b)
	return 0
}

// address reads which kind of line it is and where it ends.
func (s section) address(l *model.Line) {
	given := 0
	for kind, key := range lineKinds {
		t, ok := s.text(key)
		if s.values[key] == nil {
			continue
		}
		if given++; given > 1 {
			s.wrong(s.at(key), "keep one of them", "a line can have only one address")
			continue
		}
		l.Kind, l.Address = model.LineKind(kind), t
		if ok {
			s.reach(key, l)
		}
	}
	if given == 0 {
		s.wrong(s.node,
			"add serial: /dev/serial/by-id/..., or modbus tcp: host:port, or rtu over tcp: "+
				"host:port",
			"the line has no address")
	}
	if l.Kind == model.SerialLine {
		return
	}
	for _, key := range serialKeys {
		if s.values[key] != nil {
			s.wrong(s.at(key), "set it at the gateway and remove it here",
				"%q cannot be used on a network line", key)
		}
	}
}

// reach checks the address of a line.
func (s section) reach(key string, l *model.Line) {
	if l.Kind == model.SerialLine {
		if !strings.HasPrefix(l.Address, "/") {
			s.wrong(s.at(key),
				"write its full path; names under /dev/serial/by-id/ do not change when plugs "+
					"are moved",
				"%q is not the path of a serial port", l.Address)
		}
		return
	}
	host, port, err := net.SplitHostPort(l.Address)
	if err != nil || host == "" || !isPort(port) {
		s.wrong(s.at(key), "write it as host:502", "%q is not a host and port", l.Address)
	}
}

var plainName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]*$`)

// name reads the name of a line or device, which also goes into labels and
// keys and so takes letters, digits, - and _ only.
func (s section) name(key string) string {
	t, ok := s.text(key)
	if ok && !plainName.MatchString(t) {
		s.wrong(s.at(key), "use letters, digits, - and _", "%q is not a valid name", t)
	}
	return t
}
