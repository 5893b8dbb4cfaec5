//go:build browser

package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"tickover/model"
)

var renew = flag.Bool("pictures", false, "renew the pictures of the README in deploy/pictures")

// The demonstration as Chromium shows it, and its report as it prints.
func TestBrowserDemo(t *testing.T) {
	state, address := t.TempDir(), freeAddress(t)
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	done := make(chan model.FaultCode)
	var stdout, stderr strings.Builder
	go func() {
		done <- Main(ctx, []string{"demo", "--state", state, "--listen", address}, &stdout, &stderr)
	}()
	get(t, "http://"+address+"/")
	waitFor(t, "loaded set", func() bool { return strings.Contains(get(t, "http://"+address+"/"), "<b>on load</b>") })
	browser := chromium(t)
	look := func(path, name string, width, height int64, ready string) {
		t.Helper()
		err := chromedp.Do(browser, chromedp.EmulateViewport(width, height, chromedp.EmulateScale(1.5)), chromedp.Navigate("http://"+address+path), chromedp.WaitVisible(chromedp.CSS(ready)))
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		keepPicture(t, browser, name, chromedp.CaptureScreenshot())
	}
	look("/", "now", 360, 640, ".big")
	look("/next", "next", 360, 640, ".light")
	look("/trends?span=run&run=1", "trends", 1000, 700, "figure svg")
	look("/runs/1", "run", 360, 640, ".timeline")
	look("/measure", "measure", 360, 640, "fieldset")
	look("/wiring", "wiring", 360, 640, ".check")
	if err := chromedp.Do(browser, chromedp.EmulateViewport(900, 1200, chromedp.EmulateScale(1.5)), chromedp.Navigate("http://"+address+"/runs/1/report"), chromedp.WaitVisible(chromedp.CSS("figure svg"))); err != nil {
		t.Fatal(err)
	}
	keepPicture(t, browser, "report-plot", chromedp.Screenshot(chromedp.CSS("figure")))
	printed(t, browser)
	for _, path := range []string{"/", "/next", "/alarms", "/trends?span=run&run=1", "/runs/1", "/runs/1/report", "/runs/1/compare/2", "/timeline", "/measure", "/wiring"} {
		axed(t, browser, "http://"+address+path)
	}
	stop()
	if code := <-done; code != model.NoFault {
		t.Errorf("the demonstration ended with %d\n%s", code, stderr.String())
	}
}

// axed lets axe-core judge a page of the running daemon.
func axed(t *testing.T, browser context.Context, url string) {
	t.Helper()
	axe, err := os.ReadFile(os.Getenv("AXE"))
	if err != nil {
		t.Fatalf("AXE must name axe.min.js of the npm package axe-core: %v", err)
	}
	if err := chromedp.Do(browser, chromedp.EmulateViewport(360, 640), chromedp.Navigate(url), chromedp.WaitReady(chromedp.CSS("body"))); err != nil {
		t.Fatalf("%s: %v", url, err)
	}
	if _, err := chromedp.Run(browser, chromedp.Evaluate[bool](string(axe)+";true")); err != nil {
		t.Fatal(err)
	}
	found, err := chromedp.Run(browser, chromedp.Evaluate[[]string](`axe.run().then(r => r.violations.filter(v => v.impact === 'serious' || v.impact === 'critical')
		.map(v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 160)).join(' | ')))`, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", url, err)
	}
	for _, f := range found {
		t.Errorf("%s: %s", url, f)
	}
}

// printed prints the report that is open on A4 and looks at the pages: each
// carries the mark of simulated data.
func printed(t *testing.T, browser context.Context) {
	t.Helper()
	pdf, err := chromedp.Run(browser, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	facts, err := exec.Command("pdfinfo", file).Output()
	if err != nil || !strings.Contains(string(facts), "A4") {
		t.Errorf("pdfinfo: %v\n%s", err, facts)
	}
	text, err := exec.Command("pdftotext", "-layout", file, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext: %v", err)
	}
	pages := strings.Split(strings.TrimSuffix(string(text), "\f"), "\f")
	for i, page := range pages {
		foot := fmt.Sprintf("SIMULATED DATA: nothing here was measured on a real machine Page %d of %d", i+1, len(pages))
		if !strings.HasSuffix(strings.Join(strings.Fields(page), " "), foot) {
			t.Errorf("the foot of page %d does not say that it is simulated, or its number:\n%s", i+1, page)
		}
	}
	if len(pages) < 5 || !strings.Contains(pages[0], "What was found") || !strings.Contains(string(text), "Signatures") {
		t.Errorf("%d pages, the first:\n%s", len(pages), pages[0])
	}
}

func keepPicture(t *testing.T, browser context.Context, name string, take chromedp.Action[[]byte]) {
	t.Helper()
	picture, err := chromedp.Run(browser, take)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	folder := filepath.Join("..", "..", "testdata", "pictures")
	if *renew && slices.Contains([]string{"now", "trends", "report-plot"}, name) {
		folder = filepath.Join("..", "..", "deploy", "pictures")
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), picture, 0o644); err != nil {
		t.Fatal(err)
	}
}

func chromium(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewExecAllocator(ctx, chromedp.ExecPath("/usr/bin/chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Headless,
		chromedp.NoFirstRun, chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx) })
	return ctx
}
