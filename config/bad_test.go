package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tickover/testdata/golden"
)

const badFolder = "../testdata/config/bad"

// Every file under bad breaks one rule (twenty.yaml many), and the text beside
// it is what the user reads.
func TestEveryMistakeReadsAsRecorded(t *testing.T) {
	files, err := filepath.Glob(badFolder + "/*.yaml")
	if err != nil || len(files) < 40 {
		t.Fatalf("%d fixtures, %v", len(files), err)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			golden.Holds(t, strings.TrimSuffix(f, ".yaml")+".txt", mistakesOf(t, f).Error()+"\n")
		})
	}
}

// mistakesOf loads a file that must be refused, and names it by its base so
// that the recorded text does not depend on where the test runs.
func mistakesOf(t *testing.T, path string) Mistakes {
	t.Helper()
	c, err := Load(path)
	var ms Mistakes
	if !errors.As(err, &ms) || len(ms) == 0 {
		t.Fatalf("taken as %+v, %v", c, err)
	}
	for i := range ms {
		ms[i].File = strings.TrimPrefix(ms[i].File, badFolder+"/")
	}
	return ms
}

func TestTwentyMistakesAtOnce(t *testing.T) {
	if ms := mistakesOf(t, badFolder+"/twenty.yaml"); len(ms) < 20 {
		t.Errorf("only %d told:\n%v", len(ms), ms)
	}
}

func TestLoadOfNoFileIsTheSystemsError(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
