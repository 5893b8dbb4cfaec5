package page

import (
	"regexp"
	"strings"
	"testing"
)

// desk matches what only larger screens are told, which are no old telephones.
var desk = regexp.MustCompile(`(?s)@media \(min-width: \d+px\) \{.*?\n\}`)

// Telephones of ten years ago drop a rule with anything in it that they do not
// know. What is newer than their browsers, by the compatibility tables of MDN
// (from memory), is for larger screens only or has a fallback beside it.
func TestStyleWorksOnOldTelephones(t *testing.T) {
	style := desk.ReplaceAllString(styleSource, "")
	if len(style) == len(styleSource) {
		t.Error("the rules for larger screens are not found")
	}
	for _, newer := range []string{"grid", "gap:", "var(", "clamp(", "min(", "max(", ":is(", ":where(", ":has(", ":not(", ":focus-visible", "inset:", "aspect-ratio",
		"@layer", "@container", "@supports", "dvh", "svh", "object-fit", "position: sticky", "margin-inline", "place-", "color-mix(", "rgb(from", "scroll-", "backdrop-filter", "&"} {
		if strings.Contains(style, newer) {
			t.Errorf("%q is newer than a telephone of ten years ago", newer)
		}
	}
	for newer, fallback := range map[string]string{"overflow-wrap: anywhere": "word-wrap: break-word; overflow-wrap: anywhere"} {
		if strings.Count(style, newer) != strings.Count(style, fallback) {
			t.Errorf("%q stands without %q", newer, fallback)
		}
	}
}

// The script asks before it uses what old telephones lack.
func TestScriptAsksForWhatOldTelephonesLack(t *testing.T) {
	for use, asks := range map[string]string{"new EventSource": "!window.EventSource", "wakeLock.request": "!navigator.wakeLock", "navigator.vibrate(": "if (navigator.vibrate)",
		"new A(": "window.AudioContext || window.webkitAudioContext", "localStorage.": "try { "} {
		if !strings.Contains(scriptSource, use) || !strings.Contains(scriptSource, asks) {
			t.Errorf("%q is used without %q", use, asks)
		}
	}
	for _, newer := range []string{"fetch(", "=>", "Promise", "const ", "let ", "async ", "`", "?.", ".includes(", ".forEach(", "closest(", "serviceWorker"} {
		if strings.Contains(scriptSource, newer) {
			t.Errorf("the script uses %q", newer)
		}
	}
}
