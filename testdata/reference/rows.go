// Package reference reads the published figures that lie beside it, for tests
// of every room. Each table's first lines, or the test that uses it, name its
// source. It keeps nothing and may be used from any goroutine.
package reference

import (
	"embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"
)

//go:embed *.csv
var tables embed.FS

// A Row is one line of a table: cells by the column's heading.
type Row map[string]string

// Rows reads a table, such as "ieee43_kt.csv". Lines that begin with # are its
// source. A table that is missing, broken or empty ends the test.
func Rows(t testing.TB, name string) []Row {
	t.Helper()
	b, err := tables.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return Table(t, name, string(b))
}

// Table reads the text of a table that lies elsewhere.
func Table(t testing.TB, name, text string) []Row {
	t.Helper()
	r := csv.NewReader(strings.NewReader(text))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %v, %d rows", name, err, len(all))
	}
	rows := make([]Row, 0, len(all)-1)
	for _, cells := range all[1:] {
		row := Row{}
		for i, cell := range cells {
			row[all[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// Number is the cell of a column as a number; anything else ends the test.
func (r Row) Number(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s of %v: %v", column, r, err)
	}
	return v
}

// Int is the cell of a column as a whole number; anything else ends the test.
func (r Row) Int(t testing.TB, column string) int {
	t.Helper()
	v, err := strconv.Atoi(r[column])
	if err != nil {
		t.Fatalf("column %s of %v: %v", column, r, err)
	}
	return v
}

// Near fails the test when got is not within a distance of want; NaN never is.
func Near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, within)
	}
}
