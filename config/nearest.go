package config

import (
	"fmt"
	"strings"
)

// didYouMean is the hint for a word that is not one of the known: the nearest
// known ones, or all of them when none is near.
func didYouMean(word string, known []string) string {
	near := allNearest(word, known)
	for i := range near {
		near[i] = fmt.Sprintf("%q", near[i])
	}
	switch last := len(near) - 1; {
	case last == 0:
		return "did you mean " + near[0] + "?"
	case last > 0 && last < 4:
		return "did you mean " + strings.Join(near[:last], ", ") + " or " + near[last] + "?"
	case len(known) == 0:
		return ""
	}
	return "use one of: " + strings.Join(known, "; ")
}

// nearest returns the first of allNearest, "" when there is none.
func nearest(word string, known []string) string {
	if near := allNearest(word, known); len(near) > 0 {
		return near[0]
	}
	return ""
}

// allNearest returns the known words the fewest typing slips away, none when
// even those need more than a third of the letters changed.
func allNearest(word string, known []string) []string {
	var near []string
	least := max(1, len([]rune(word))/3)
	for _, k := range known {
		switch d := slips(strings.ToLower(word), strings.ToLower(k)); {
		case d < least || d == least && near == nil:
			near, least = []string{k}, d
		case d == least:
			near = append(near, k)
		}
	}
	return near
}

// slips counts the letters to insert, drop, replace or exchange with their
// neighbour to turn a into b (the optimal string alignment distance).
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	var last, before []int
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(x); i++ {
		before, last, row = last, row, make([]int, len(y)+1)
		row[0] = i
		for j := 1; j <= len(y); j++ {
			change := 1
			if x[i-1] == y[j-1] {
				change = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
	}
	return row[len(y)]
}
