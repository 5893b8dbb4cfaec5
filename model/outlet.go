package model

import "time"

// Secret says where a password, token or key is kept. It is read when it is
// needed and kept nowhere else, so that neither log nor report can hold it.
// At most one field is set; the zero value means that there is none.
type Secret struct {
	File        string // path; the first line of the file is the secret
	Environment string // name of the variable that holds it
}

// Given reports whether there is a secret at all.
func (s Secret) Given() bool { return s != Secret{} }

// String says where the secret is, never what it is.
func (s Secret) String() string {
	switch {
	case s.File != "":
		return "the file " + s.File
	case s.Environment != "":
		return "the environment variable " + s.Environment
	}
	return "nowhere"
}

// TLS says whom to trust and who to be on an encrypted connection. The zero
// value trusts what the system trusts.
type TLS struct {
	Authority   string // path of the certificates to trust instead of the system's
	Certificate string // path of our own certificate, together with Key
	Key         string // path of our own key
	ServerName  string // name the server's certificate must carry; empty means the host's
}

// Header is one line sent with every request.
type Header struct {
	Name, Value string
	Secret      Secret // in place of Value
}

// Access is how to be let in by a server. The zero value asks for nothing.
type Access struct {
	TLS      TLS
	User     string
	Password Secret // beside User
	Bearer   Secret // token of "Authorization: Bearer", in place of User
	Headers  []Header
}

// Label is one name and value that belongs to a series.
type Label struct{ Name, Value string }

// Series is the name a point's values go by outside.
type Series struct {
	Name   string
	Labels []Label
	Scale  float64 // turns the point's canonical unit into the series' unit
}

// RemoteWrite is one server that readings are pushed to by Prometheus' remote
// write protocol, version 1.0.
type RemoteWrite struct {
	Name    string // unique among outlets; names the cursor's file
	URL     string
	Address Secret // in place of URL
	Access  Access
	Labels  []Label // added to every series
	// Oldest is how far back readings are sent at most; 0 means 30 days.
	Oldest time.Duration
	// Every is how often new readings are sent; 0 means 10 s.
	Every time.Duration
	// PerSecond is how many samples a second may be sent; 0 means no limit.
	PerSecond int
	// PerRequest is how many samples one request holds; 0 means 4000.
	PerRequest int
}

// MQTT is a broker that the newest readings and alarms are published to.
type MQTT struct {
	Name   string // unique among outlets
	Broker string // host and port
	Secure bool   // by TLS
	Access Access
	Client string // client identifier; empty means "tickover-" and the set's name
	Prefix string // first level of every topic; empty means "tickover"
	// Discovery is the first level of discovery documents; empty means none
	// are published.
	Discovery string
	Every     time.Duration // how often readings are published; 0 means 10 s
	// Expire is how long a reader may believe a value; 0 means the longer of
	// 60 s and three times Every.
	Expire time.Duration
}

// Security is how a connection to a mail server is protected. The zero value
// is StartTLS.
type Security uint8

// The kinds of protection.
const (
	StartTLS    Security = iota // upgraded before anything is said; refused without
	ImplicitTLS                 // encrypted from the first byte
	PlainText                   // not protected
)

// TargetKind says how a target is told. The zero value is Webhook.
type TargetKind uint8

// The kinds of target.
const (
	Webhook TargetKind = iota
	Mail
	AlertRouter // Alertmanager's API, version 2
	Broker      // a message on the MQTT outlet
)

// String names the kind in a word or two.
func (k TargetKind) String() string {
	return word([]string{"webhook", "mail", "alertmanager", "mqtt"}, int(k))
}

// Target is somebody, or something, that can be told.
type Target struct {
	Name    string // unique among outlets
	Kind    TargetKind
	URL     string // of a Webhook or an AlertRouter
	Address Secret // in place of URL
	Access  Access
	Sign    Secret // key of the signature of a Webhook's body; none means unsigned
	// Server, From, To and Security belong to Mail.
	Server   string // host and port
	From     string
	To       []string
	Security Security
	Outlet   string // name of the MQTT outlet of a Broker
}

// Route says which alarms go to which targets.
type Route struct {
	Least Priority // and above
	To    []string // names of targets
	// Second names the targets that are told when nobody acknowledged within
	// Patience; empty means nobody. Patience 0 means 2 min.
	Second   []string
	Patience time.Duration
}

// Heartbeat is a sign of life sent outward, so that silence is noticed.
type Heartbeat struct {
	URL     string
	Address Secret // in place of URL
	Access  Access
	Every   time.Duration // 0 means 60 s
}

// Given reports whether there is a heartbeat at all.
func (h Heartbeat) Given() bool { return h.URL != "" || h.Address.Given() }

// CheckIn is the timer of somebody who works alone.
type CheckIn struct {
	Every  time.Duration // default between two signs; 0 means 15 min
	Missed int           // signs missed before the targets are told; 0 means 2
	Place  string        // where to look for the person
	To     []string      // names of targets; empty means that only the hook sounds
}

// Given reports whether a timer was asked for.
func (c CheckIn) Given() bool { return c.Every != 0 || c.Missed != 0 || c.Place != "" || len(c.To) > 0 }

// Hook is a command run when an alarm begins and ceases to await a person,
// for a buzzer or lamp. It is no part of any stop circuit.
type Hook struct {
	Command []string      // program with its arguments; empty means none
	Least   Priority      // and above
	Timeout time.Duration // 0 means 10 s
}

// Outlets are where readings and alarms go. The zero value sends nothing
// anywhere.
type Outlets struct {
	RemoteWrite []RemoteWrite
	MQTT        []MQTT
	Targets     []Target
	Routes      []Route
	Heartbeat   Heartbeat
	CheckIn     CheckIn
	Hook        Hook
}

// OutletHealth is how one outlet fares. Counts begin with the daemon.
type OutletHealth struct {
	Name, Kind string
	Trouble    string // why nothing goes out, in words; empty when it does
	Hint       string // what to do about it
	Sent       uint64 // samples, messages, signs or runs of a command
	Failures   uint64 // attempts that failed
	Dropped    map[string]uint64
	Pending    uint64        // messages waiting
	Lag        time.Duration // age of the oldest reading not yet sent; 0 when none waits
}

// OutletTrial is how a test of one way out went.
type OutletTrial struct {
	Name, Kind string
	Took       time.Duration
	Err        error // nil when the other end took it
}

// Presence is where the timer of somebody who works alone stands.
type Presence struct {
	Who    string
	Every  time.Duration // between two signs
	Signed Instant       // the last sign
	Missed int           // signs missed since
}

// Left is how long after now the next missed sign is counted; negative when
// that is overdue, false when the clocks cannot tell.
func (p Presence) Left(now Instant) (time.Duration, bool) {
	passed, same := now.Sub(p.Signed)
	return time.Duration(p.Missed+1)*p.Every - passed, same
}
