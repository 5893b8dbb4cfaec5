package line

import (
	"strings"
	"testing"

	"tickover/model"
)

// TestParityWithTwoStopBitsIsNamed tells the two reasons apart why a driver drops a
// setting.
func TestParityWithTwoStopBitsIsNamed(t *testing.T) {
	for _, c := range []struct {
		def  model.Line
		err  error
		want string
	}{
		{model.Line{Parity: model.EvenParity, StopBits: 2}, errStopBits, "parity with two stop bits"},
		{model.Line{Parity: model.OddParity, StopBits: 2}, errParity, "parity with two stop bits"},
		{model.Line{Parity: model.EvenParity, StopBits: 1}, errParity, "mini-UART"},
		{model.Line{Parity: model.NoParity, StopBits: 2}, errStopBits, "mini-UART"},
	} {
		if got := hint(c.def, c.err); !strings.Contains(got, c.want) {
			t.Errorf("%+v, %v: %q", c.def, c.err, got)
		}
	}
}
