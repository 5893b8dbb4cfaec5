package main

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/model"
)

// A store that holds all the photos it may takes words without theirs.
func TestWordsAreKeptWithoutAPhotoTooMany(t *testing.T) {
	kept, err := store.Open(store.Options{Dir: t.TempDir(), KernelBoot: "photos", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	s := record.NewLive(kept, model.Setup{}, nil, nil)
	for i := range store.MostPhotos + 1 {
		if _, err := s.Store.PutPhoto([]byte("jpeg")); err != nil && i < store.MostPhotos {
			t.Fatal(err)
		}
	}
	for _, text := range []string{"oil at the filter", ""} {
		if _, err := s.Note(context.Background(), api.Note{Text: text, Photo: []byte("jpeg")}); err != nil {
			t.Fatal(err)
		}
	}
	var said []string
	for e, err := range kept.Events(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == model.NoteEvent && e.Photo == 0 {
			said = append(said, e.Text)
		}
	}
	if len(said) != 2 || !strings.HasPrefix(said[0], "oil at the filter (its photo is not kept") || !strings.HasPrefix(said[1], "(its photo is not kept") {
		t.Errorf("kept %q", said)
	}
}
