package page

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"html/template"
	"net/http"
	"regexp"
	"strings"

	"tickover/model"
)

//go:embed layout.html
var layoutSource string

//go:embed now.html
var nowSource string

//go:embed next.html
var nextSource string

//go:embed trends.html
var trendsSource string

//go:embed alarms.html
var alarmsSource string

//go:embed runs.html
var runsSource string

//go:embed timeline.html
var timelineSource string

//go:embed problem.html
var problemSource string

//go:embed compare.html
var compareSource string

//go:embed page.css
var styleSource string

//go:embed page.js
var liveScript string

//go:embed send.js
var sendScript string

var scriptSource = liveScript + sendScript

// A page is its own template with the layout's parts.
var (
	nowTemplate      = paged(nowSource)
	nextTemplate     = paged(nextSource)
	trendsTemplate   = paged(trendsSource)
	alarmsTemplate   = paged(alarmsSource)
	runsTemplate     = paged(runsSource)
	timelineTemplate = paged(timelineSource)
	compareTemplate  = paged(compareSource)
	problemTemplate  = paged(problemSource)
)

func paged(source string) *template.Template {
	return template.Must(template.Must(template.New("layout").Parse(layoutSource)).New("page").Parse(source))
}

// view is what every page shows. It is embedded in the views of the pages.
type view struct {
	View      string // which parts its stream sends
	Title     string
	Refresh   string // seconds between reloads without a script; empty means none
	Simulated bool
	Look      bool // the readings are wanted although a critical alarm waits
	Hold      bool // no refreshing without a script, so that a person can write
	Wide      bool // more than a telephone's column on larger screens
	Style     template.CSS
	Script    template.JS
	Version   string
	Advisory  string
	Name      string
	Pages     []link
	CanWrite  bool
	AskToken  bool

	Critical *warning  // the one that takes the screen
	More     int       // further critical ones behind it
	Alarms   []warning // all that are not normal
	Deaf     []warning // those that do not watch
	Aside    []warning // shelved and out of service
	Signs    *signs    // of a person who works alone; nil without
}

// link is an entry of the navigation.
type link struct {
	Path, Name string
	Here       bool
}

// pages lists the navigation.
var pages = []link{{Path: "/", Name: "Now"}, {Path: "/alarms", Name: "Alarms"}, {Path: "/next", Name: "Next"}, {Path: "/trends", Name: "Trends"}, {Path: "/runs", Name: "Runs"}}

// frame fills what every page shows.
func (srv *server) frame(name, title string, look bool) view {
	setup := srv.Live.Setup()
	v := view{View: name, Title: title, Look: look, Style: template.CSS(styleSource), Script: template.JS(scriptSource), Version: srv.opts.Version,
		Advisory: model.Advisory, Name: setup.Rating.Name, Simulated: setup.Simulated,
		CanWrite: srv.opts.TrustLocal || srv.opts.Token != "", AskToken: !srv.opts.TrustLocal, Signs: srv.signs()}
	for _, p := range pages {
		p.Here = strings.Trim(p.Path, "/") == name || p.Path == "/" && name == "page"
		v.Pages = append(v.Pages, p)
	}
	if name == "page" {
		v.Pages[0] = link{Path: "#note", Name: "Note"}
	}
	if snap := srv.Live.Latest(); snap != nil {
		v.Simulated = v.Simulated || snap.Simulated
		v.warnings(srv.readout(snap, srv.moment(snap)))
	}
	return v
}

// under marks the page of the navigation that this one belongs to.
func (v *view) under(path string) {
	for i := range v.Pages {
		v.Pages[i].Here = v.Pages[i].Path == path
	}
}

// look reports whether the readings are wanted in front of a critical alarm.
func look(r *http.Request) bool { return r.URL.Query().Has("look") }

// show answers with a page of our own style and script.
func (srv *server) show(w http.ResponseWriter, r *http.Request, t *template.Template, v any) {
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		srv.fail(w, r, err)
		return
	}
	beginPatience(w) // a drawing may have taken long on a small board
	w.Header().Set("Content-Security-Policy", pagePolicy)
	sendHTML(w, r, b.Bytes())
}

// sendHTML answers with HTML, packed where the reader can unpack it.
func sendHTML(w http.ResponseWriter, r *http.Request, body []byte) {
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Vary", "Accept-Encoding")
	if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		_, _ = w.Write(body) // the reader may be gone
		return
	}
	h.Set("Content-Encoding", "gzip")
	z := gzip.NewWriter(w)
	_, _ = z.Write(body)
	_ = z.Close()
}

var style = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// reportPolicy allows a report the one style sheet it carries.
func reportPolicy(html string) string {
	allowed := "'none'"
	if m := style.FindStringSubmatch(html); m != nil {
		allowed = "'" + hash(m[1]) + "'"
	}
	return "default-src 'none'; style-src " + allowed + "; base-uri 'none'; frame-ancestors 'none'"
}
