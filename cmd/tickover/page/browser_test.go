//go:build browser

package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// pictures is where screenshots go, to be looked at. Git does not keep them.
var pictures = filepath.Join("..", "..", "..", "testdata", "pictures")

// shop serves the page and can be put out of reach.
type shop struct {
	*fakeRecord
	url    string
	server *httptest.Server
	away   atomic.Bool
}

func openShop(t *testing.T, s *fakeRecord, o Options) *shop {
	t.Helper()
	return openDoor(t, s, serve(s, o))
}

func openDoor(t *testing.T, s *fakeRecord, h http.Handler) *shop {
	t.Helper()
	sh := &shop{fakeRecord: s}
	sh.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if sh.away.Load() {
			panic(http.ErrAbortHandler)
		}
		h.ServeHTTP(w, r)
	}))
	sh.url = sh.server.URL
	t.Cleanup(func() { sh.server.CloseClientConnections(); sh.server.Close() })
	return sh
}

// leave puts the logger out of reach, or back.
func (s *shop) leave(away bool) {
	s.away.Store(away)
	s.server.CloseClientConnections()
}

// heard waits until so many things were said and returns them, padded.
func (s *shop) heard(n int) ([]string, []api.Note) {
	for range 150 {
		s.mu.Lock()
		said, notes := slices.Clone(s.said), slices.Clone(s.notes)
		s.mu.Unlock()
		if len(said) >= n {
			return said, notes
		}
		time.Sleep(100 * time.Millisecond)
	}
	return make([]string, n), nil
}

// browse starts Debian's Chromium with a screen of the given size, beside
// another test's: both mostly wait.
func browse(t *testing.T, width, height int64) context.Context {
	t.Helper()
	t.Parallel()
	return chromium(t, width, height)
}

func chromium(t *testing.T, width, height int64) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewExecAllocator(ctx, chromedp.ExecPath("/usr/bin/chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Headless,
		chromedp.NoFirstRun, chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("disable-quic", true),
		chromedp.Flag("hide-scrollbars", true))
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx) })
	must(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height)))
	return ctx
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// visit opens an address and waits until it says something.
func visit(t *testing.T, ctx context.Context, url, says string) {
	t.Helper()
	must(t, chromedp.Do(ctx, chromedp.Navigate(url)))
	waitFor(t, ctx, says)
}

// waitFor waits until the page's text holds the words.
func waitFor(t *testing.T, ctx context.Context, says string) {
	t.Helper()
	text := ""
	for range 100 {
		var err error
		if text, err = chromedp.Run(ctx, chromedp.Evaluate[string]("document.body ? document.body.innerText : ''")); err == nil && strings.Contains(text, says) {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatalf("the page never says %q but\n%s", says, text)
}

func snap(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	must(t, err)
	must(t, os.MkdirAll(pictures, 0o755))
	must(t, os.WriteFile(filepath.Join(pictures, name+".png"), picture, 0o644))
}

func js[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	must(t, err)
	return v
}

func dark(t *testing.T, ctx context.Context) {
	t.Helper()
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
	must(t, err)
}

func TestBrowserShowsEverythingOnOneTelephoneScreen(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	ctx := browse(t, 360, 640)
	visit(t, ctx, sh.url, "on load")
	snap(t, ctx, "now-phone")
	// 96 CSS pixels are an inch, by the style sheets' own definition.
	bottom := js[float64](t, ctx, "document.querySelector('nav').getBoundingClientRect().bottom")
	if bottom > 640 {
		t.Errorf("the readings and the buttons end at %.0f px of 640", bottom)
	}
	for _, d := range js[[]float64](t, ctx, `Array.from(document.querySelectorAll('.big .value')).map(e => {
		var c = document.createElement('canvas').getContext('2d'), s = getComputedStyle(e);
		c.font = s.fontWeight + ' ' + s.fontSize + ' ' + s.fontFamily;
		return c.measureText('0').actualBoundingBoxAscent * 25.4 / 96; })`) {
		if d < 20 {
			t.Errorf("digits are %.1f mm high, want 20", d)
		}
	}
	for _, h := range js[[]float64](t, ctx, `Array.from(document.querySelectorAll('nav .button, button')).filter(e => e.offsetParent).map(e => e.getBoundingClientRect().height * 25.4 / 96)`) {
		if h < 11.9 {
			t.Errorf("a button is %.1f mm high, want 12", h)
		}
	}
	if over := js[float64](t, ctx, "document.documentElement.scrollWidth"); over > 360 {
		t.Errorf("the page is %.0f px wide", over)
	}
	dark(t, ctx)
	snap(t, ctx, "now-phone-dark")
}

func TestBrowserShowsALiveValueChangingAndSilence(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	ctx := browse(t, 1280, 800)
	visit(t, ctx, sh.url, "3.2")
	snap(t, ctx, "now-desktop")
	changed := *sh.snap
	changed.Readings = map[model.PointID]model.Reading{model.OilPressure: reading(model.OilPressure, 187000, time.Second)}
	began := time.Now()
	sh.next(&changed)
	waitFor(t, ctx, "1.8")
	fmt.Printf("a changed value was on the screen after at most %d ms\n", time.Since(began).Milliseconds())
	sh.leave(true)
	waitFor(t, ctx, "No contact with the logger for")
	if got := js[string](t, ctx, "getComputedStyle(document.querySelector('.big .value')).textDecorationLine"); got != "line-through" {
		t.Errorf("without word from the logger readings are shown as live: %q", got)
	}
	snap(t, ctx, "silent-desktop")
	sh.leave(false)
	for range 100 {
		if js[bool](t, ctx, "document.getElementById('silent').hidden") {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Error("the page does not notice that the logger answers again")
}

func TestBrowserWarnsAndAcknowledges(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	ctx := browse(t, 360, 640)
	visit(t, ctx, sh.url+"/trends", "Trends")
	calm := sh.snap
	sh.alarmed()
	sh.next(sh.snap)
	waitFor(t, ctx, "CRITICAL")
	snap(t, ctx, "critical-phone")
	if covered := js[bool](t, ctx, "(function(){var r=document.querySelector('.screen').getBoundingClientRect();return r.width>=innerWidth&&r.height>=innerHeight})()"); !covered {
		t.Error("the warning does not take the screen")
	}
	must(t, chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS(".screen input[name=who]"), "Marta"), chromedp.SendKeys(chromedp.CSS(".screen input[name=token]"), "wrong"), chromedp.Click(chromedp.CSS(".screen button"))))
	waitFor(t, ctx, "wrong")
	// While somebody types the alarm ends: what is said changes around the form.
	js[bool](t, ctx, "(document.querySelector('.screen input[name=token]').focus(), true)")
	over := *sh.snap
	over.Alarms = slices.Clone(over.Alarms)
	over.Alarms[0].State, over.Alarms[0].Since, over.Alarms[0].Value = model.AlarmLatchedUnacknowledged, over.At, 320000
	during := sh.snap
	sh.next(&over)
	waitFor(t, ctx, "back to normal")
	if text := js[string](t, ctx, "document.querySelector('.screen').innerText"); strings.Contains(text, "lever") || strings.Contains(text, "Acknowledge") || !strings.Contains(text, "Reset") {
		t.Errorf("an alarm that is over says\n%s", text)
	}
	if word := js[string](t, ctx, "document.querySelector('.screen input[name=token]').value"); word != "wrong" {
		t.Errorf("what was typed became %q", word)
	}
	js[bool](t, ctx, "(document.activeElement.blur(), true)")
	waitFor(t, ctx, "CRITICAL, over")
	snap(t, ctx, "critical-over-phone")
	sh.next(during)
	waitFor(t, ctx, "Do now:")
	// By keyboard alone: the field is reached by Tab, Enter sends.
	js[bool](t, ctx, "(document.querySelector('.screen input[name=token]').value = '', document.querySelector('.screen input[name=who]').focus(), true)")
	must(t, chromedp.Do(ctx, chromedp.KeyEvent(kb.Tab+token+kb.Enter)))
	waitFor(t, ctx, "Done.")
	if said, _ := sh.heard(1); !strings.Contains(said[0], "oil.pressure.low by Marta") {
		t.Errorf("the logger heard %q", said)
	}
	sh.next(calm)
	for range 100 {
		if js[bool](t, ctx, "!document.querySelector('.screen')") {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Error("the warning stays although it was seen")
}

func TestBrowserWithoutScript(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	ctx := browse(t, 360, 640)
	_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	must(t, err)
	must(t, chromedp.Do(ctx, chromedp.Navigate(sh.url), chromedp.WaitVisible(chromedp.CSS(".big"))))
	snap(t, ctx, "now-phone-noscript")
	if text, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS("nav"))); err != nil || strings.Contains(text, "Sound") {
		t.Errorf("a button that only a script serves is shown: %q, %v", text, err)
	}
	changed := *sh.snap
	changed.State = model.RunningDown
	sh.next(&changed)
	for range 60 {
		text, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS(".state")))
		if err == nil && strings.Contains(text, "running down") {
			must(t, chromedp.Do(ctx, chromedp.Navigate(sh.url+"/?hold"), chromedp.SendKeys(chromedp.CSS("textarea"), "belt squeals"),
				chromedp.SendKeys(chromedp.CSS("form[enctype] input[name=token]"), token), chromedp.Click(chromedp.CSS("form[enctype] button")), chromedp.WaitVisible(chromedp.CSS(".big"))))
			if said, _ := sh.heard(1); said[0] != "note by : belt squeals" {
				t.Errorf("the logger heard %q", said)
			}
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Error("the page does not refresh itself")
}

func TestBrowserSendsLaterWhatWasSaidOutOfReach(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	ctx := browse(t, 360, 640)
	visit(t, ctx, sh.url, "What do you see")
	must(t, chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("form .taps ~ label input[name=who]"), "Marta"), chromedp.SendKeys(chromedp.CSS("form .taps ~ label input[name=token]"), token)))
	sh.leave(true)
	must(t, chromedp.Do(ctx, chromedp.Click(chromedp.CSS("button[value='white smoke']"))))
	waitFor(t, ctx, "1 entry not sent yet")
	must(t, chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("textarea"), "belt squeals at 40 kW"), chromedp.SetUploadFiles(chromedp.CSS("input[type=file]"), []string{photograph(t)}), chromedp.Click(chromedp.CSS("form[enctype] button"))))
	waitFor(t, ctx, "2 entries not sent yet")
	js[bool](t, ctx, "(document.getElementById('queue').scrollIntoView(), true)")
	snap(t, ctx, "offline-phone")
	time.Sleep(2 * time.Second)
	sh.leave(false)
	said, notes := sh.heard(2)
	if len(notes) != 2 {
		t.Fatalf("the logger heard %q", said)
	}
	for i, said := range notes {
		if said.Ago < 2*time.Second || said.Ago > time.Minute || said.Who != "Marta" && i == 0 {
			t.Errorf("said %v ago by %q", said.Ago, said.Who)
		}
	}
	if n := len(notes[1].Photo); n == 0 || n > 300_000 || pictureType(notes[1].Photo) != "image/jpeg" {
		t.Errorf("the photo has %d bytes", n)
	}
}

func TestBrowserUsesThisPhonesTime(t *testing.T) {
	s := hatchery()
	s.snap.Clock = model.Clock{}
	sh := openShop(t, s, Options{TrustLocal: true})
	ctx := browse(t, 360, 640)
	visit(t, ctx, sh.url, "time of day in the logger is not certain")
	must(t, chromedp.Do(ctx, chromedp.Click(chromedp.CSS("form[data-clock] button"))))
	waitFor(t, ctx, "Done.")
	if said, _ := sh.heard(1); !strings.HasPrefix(said[0], "time by : "+time.Now().UTC().Format("2006-01-02")) {
		t.Errorf("the logger heard %q", said)
	}
}

// The form in which a browser gets its cookie, the page behind it, and what
// comes when the token was changed meanwhile.
func TestBrowserSignsInToRead(t *testing.T) {
	s := hatchery()
	var requireToken atomic.Value
	requireToken.Store(guardedShed(s))
	sh := openDoor(t, s, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { requireToken.Load().(http.Handler).ServeHTTP(w, r) }))
	ctx := browse(t, 360, 640)
	visit(t, ctx, sh.url+"/next?droop=3", "Sign in")
	snap(t, ctx, "sign-in-phone")
	judge(t, ctx, "sign-in")
	must(t, chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("input[name=token]"), "wrong"), chromedp.Click(chromedp.CSS("button"))))
	waitFor(t, ctx, "This token is wrong.")
	must(t, chromedp.Do(ctx, chromedp.SendKeys(chromedp.CSS("input[name=token]"), readingToken), chromedp.Click(chromedp.CSS("button"))))
	waitFor(t, ctx, "Next step")
	if got := js[string](t, ctx, "location.pathname + location.search + document.cookie"); got != "/next?droop=3" {
		t.Errorf("led back to %q, or a script can read the cookie", got)
	}
	visit(t, ctx, sh.url, "3.2")
	changed := *s.snap
	changed.Readings = map[model.PointID]model.Reading{model.OilPressure: reading(model.OilPressure, 187000, time.Second)}
	s.next(&changed)
	waitFor(t, ctx, "1.8")
	requireToken.Store(RequireToken(serve(s, Options{Token: token}), "another word", token))
	sh.server.CloseClientConnections()
	waitFor(t, ctx, "Sign in")
}

// stubs stand in for what a test machine has none of, and count.
const stubs = `window.heard = {beeps: 0, shakes: 0, locks: 0, released: 0}; window.away = false;
window.AudioContext = function () { this.currentTime = 0; this.destination = {}; this.resume = function () {};
	this.createOscillator = function () { return {frequency: {}, connect: function () {}, start: function () { heard.beeps++; }, stop: function () {}}; }; };
navigator.vibrate = function () { heard.shakes++; return true; };
Object.defineProperty(navigator, 'wakeLock', {value: {request: function () { heard.locks++; return Promise.resolve({release: function () { heard.released++; }}); }}});
Object.defineProperty(document, 'hidden', {get: function () { return window.away; }});`

func TestBrowserSoundsShakesAndStaysAwake(t *testing.T) {
	sh := openShop(t, hatchery(), Options{Token: token})
	calm := sh.snap
	ctx := browse(t, 360, 640)
	_, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: stubs})
	must(t, err)
	visit(t, ctx, sh.url, "3.2")
	heard := func() string { return js[string](t, ctx, "JSON.stringify(heard)") }
	becomes := func(say, expression string) {
		t.Helper()
		for range 100 {
			if js[bool](t, ctx, expression) {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Errorf("%s: %s", say, heard())
	}
	if got := heard(); got != `{"beeps":0,"shakes":0,"locks":0,"released":0}` {
		t.Errorf("before anybody asked: %s", got)
	}
	must(t, chromedp.Do(ctx, chromedp.Click(chromedp.CSS("#wake"))))
	becomes("the trial after the tap", "heard.beeps === 1 && heard.shakes === 1 && heard.locks === 1")
	js[bool](t, ctx, "(away = true, document.dispatchEvent(new Event('visibilitychange')))")
	becomes("put into a pocket", "heard.locks === 1 && heard.released === 1")
	js[bool](t, ctx, "(away = false, document.dispatchEvent(new Event('visibilitychange')))")
	becomes("taken out again", "heard.locks === 2 && heard.released === 1")
	sh.alarmed()
	sh.next(sh.snap)
	becomes("a critical alarm", "heard.beeps >= 2 && heard.shakes >= 2")
	becomes("again until somebody has seen it", "heard.beeps >= 3 && heard.shakes >= 3")
	sh.next(calm)
	becomes("seen", "!document.querySelector('.screen')")
	before := heard()
	time.Sleep(2 * time.Second)
	if after := heard(); after != before {
		t.Errorf("it sounds on after it was seen: %s, then %s", before, after)
	}
}

// judge has axe-core look at the page that is open.
func judge(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	axe, err := os.ReadFile(os.Getenv("AXE"))
	if err != nil {
		t.Fatalf("AXE must name axe.min.js of the npm package axe-core: %v", err)
	}
	js[bool](t, ctx, string(axe)+";true")
	found, err := chromedp.Run(ctx, chromedp.Evaluate[string](`axe.run().then(r => JSON.stringify(r.violations.map(v => ({id: v.id, impact: v.impact, nodes: v.nodes.map(n => n.html.slice(0, 160))}))))`, chromedp.EvalAwaitPromise))
	must(t, err)
	var violations []struct {
		ID, Impact string
		Nodes      []string
	}
	must(t, json.Unmarshal([]byte(found), &violations))
	for _, v := range violations {
		if v.Impact == "serious" || v.Impact == "critical" {
			t.Errorf("%s: %s (%s) at %q", name, v.ID, v.Impact, v.Nodes)
		}
	}
}

// The pages as listeners and keyboards meet them, judged by axe-core.
func TestBrowserFindsNothingSeriousByAxe(t *testing.T) {
	sh := openShop(t, eventful(), Options{Token: token})
	ctx := browse(t, 360, 640)
	for _, path := range []string{"/", "/alarms", "/next", "/trends", "/runs", "/runs/1", "/timeline", "/runs/1/report", "/measure", "/wiring"} {
		must(t, chromedp.Do(ctx, chromedp.Navigate(sh.url+path), chromedp.WaitReady(chromedp.CSS("body"))))
		if status := js[float64](t, ctx, "performance.getEntriesByType('navigation')[0].responseStatus"); status != http.StatusOK {
			t.Errorf("%s answers %.0f", path, status)
		}
		for _, scheme := range []string{"light", "dark"} {
			_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
			must(t, err)
			judge(t, ctx, path+", "+scheme)
		}
		snap(t, ctx, "page"+strings.ReplaceAll(path, "/", "-"))
	}
}

// A page opened for the first time by a browser that has just been started,
// and the same opened again, in milliseconds from the tap: the first byte, the
// first paint.
func TestBrowserPaintsSoon(t *testing.T) {
	sh := openShop(t, eventful(), Options{Token: token})
	ctx := chromium(t, 360, 640)
	for i := range 6 {
		visit(t, ctx, sh.url, "on load")
		paint, err := chromedp.Run(ctx, chromedp.Poll[float64](`(performance.getEntriesByName('first-contentful-paint')[0] || {}).startTime`))
		must(t, err)
		answer := js[float64](t, ctx, `performance.getEntriesByType('navigation')[0].responseStart`)
		wire := js[float64](t, ctx, `performance.getEntriesByType('navigation')[0].transferSize`)
		fmt.Printf("visit %d: first byte after %.0f ms, first paint after %.0f ms, %.0f bytes on the wire\n", i+1, answer, paint, wire)
		if wire > 60_000 {
			t.Errorf("%.0f bytes on the wire", wire)
		}
	}
}
