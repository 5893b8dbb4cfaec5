// Package golden holds what tests of every room have recorded as text. It
// keeps nothing and may be used from any goroutine.
package golden

import (
	"flag"
	"os"
	"testing"
)

var update = flag.Bool("update", false, "record anew; read the difference before you commit it")

// Holds fails the test when a text is not what its file records. With -update
// it writes the file instead.
func Holds(t testing.TB, file, is string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(is), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if was := Text(t, file); is != was {
		t.Errorf("%s records otherwise; now:\n%s\nrecorded:\n%s", file, is, was)
	}
}

// Text reads a file of a test; one that cannot be read ends the test.
func Text(t testing.TB, file string) string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
