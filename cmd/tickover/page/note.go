package page

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg"
	_ "image/png"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
)

// noteKeeper keeps what a person enters.
type noteKeeper interface {
	// Note keeps a note or remark and returns the number of its event.
	Note(context.Context, api.Note) (uint64, error)
	// Kept waits until the note that Note gave this number is on the card.
	Kept(ctx context.Context, seq uint64, said api.Note) error
	// SetTime sets the time of day where no better clock knows it.
	SetTime(ctx context.Context, now time.Time, who string) error
}

// remarks are what one tap says.
var remarks = []string{"all OK", "white smoke", "black smoke", "blue smoke", "knock", "leak", "hunting"}

// Bounds of what people send.
const (
	longestNote = 2000 // characters
	// longestAgo is how old words may be when a telephone sends them.
	longestAgo = 30 * 24 * time.Hour
	// largestPhoto bounds a picture, in bytes. The page makes larger ones
	// smaller before it sends them.
	largestPhoto = 1 << 20
	// mostPixels bounds a picture by what a browser needs to show it, 4 bytes a
	// pixel: a few kilobytes may stand for gigabytes.
	mostPixels = 24_000_000
	// largestSaying is a picture in base64 and the words beside it.
	largestNote = largestPhoto*4/3 + 64<<10
)

// note keeps a person's words, and the picture with them if there is one.
func (srv *server) note(w http.ResponseWriter, r *http.Request) {
	said, err := noteOf(r, "text")
	if err == nil && said.Text == "" && said.Photo == nil {
		err = &badQuestion{http.StatusBadRequest, "the note is empty", "send the field \"text\" or a photo"}
	}
	srv.keep(w, r, said, err)
}

// remark keeps one of the remarks that need one tap.
func (srv *server) remark(w http.ResponseWriter, r *http.Request) {
	said, err := noteOf(r, "remark")
	if err == nil && !slices.Contains(remarks, said.Text) {
		err = &badQuestion{http.StatusBadRequest, fmt.Sprintf("there is no remark %q", said.Text), "one of: " + strings.Join(remarks, ", ")}
	}
	said.Remark = true
	srv.keep(w, r, said, err)
}

// saying reads who says what, and when.
func noteOf(r *http.Request, field string) (api.Note, error) {
	var s api.Note
	var err error
	if s.Who, s.Text, err = words(r, field, longestNote); err != nil {
		return s, err
	}
	if s.Ago, err = ago(r.PostForm.Get("ago_seconds")); err != nil {
		return s, err
	}
	s.Photo, err = photo(r)
	return s, err
}

// ago reads how long ago something was said.
func ago(text string) (time.Duration, error) {
	if text == "" {
		return 0, nil
	}
	seconds, err := strconv.ParseFloat(text, 64)
	if err != nil || !(seconds >= 0 && seconds <= longestAgo.Seconds()) {
		return 0, &badQuestion{http.StatusBadRequest, fmt.Sprintf("%.20q in ago_seconds is no time before now", text), "seconds from 0 to 2592000, the time since it was said"}
	}
	return time.Duration(seconds * float64(time.Second)), nil
}

// photo reads a picture: a file of a form, or base64 in a field.
func photo(r *http.Request) ([]byte, error) {
	var picture []byte
	if r.MultipartForm != nil && len(r.MultipartForm.File["photo"]) > 0 {
		file, err := r.MultipartForm.File["photo"][0].Open()
		if err == nil {
			picture, err = io.ReadAll(io.LimitReader(file, largestPhoto+1))
			err = errors.Join(err, file.Close())
		}
		if err != nil {
			return nil, &badQuestion{http.StatusBadRequest, "the photo cannot be read", "send it once more"}
		}
	} else if text := r.PostForm.Get("photo"); text != "" {
		var err error
		if picture, err = base64.StdEncoding.DecodeString(text[strings.IndexByte(text, ',')+1:]); err != nil {
			return nil, &badQuestion{http.StatusBadRequest, "the photo is no base64", "send it as base64 or as a file of a multipart form"}
		}
	}
	switch {
	case len(picture) == 0:
		return nil, nil
	case len(picture) > largestPhoto:
		return nil, &badQuestion{http.StatusRequestEntityTooLarge, "the photo is larger than 1 MiB", "make it smaller; with JavaScript the page does so by itself"}
	case pictureType(picture) == "":
		return nil, &badQuestion{http.StatusUnsupportedMediaType, "the photo is neither JPEG nor PNG", "send one of these"}
	}
	size, _, err := image.DecodeConfig(bytes.NewReader(picture))
	switch {
	case err != nil:
		return nil, &badQuestion{http.StatusUnsupportedMediaType, "the photo cannot be read as a picture", "take it again, or send another"}
	case size.Width > mostPixels/max(size.Height, 1):
		return nil, &badQuestion{http.StatusRequestEntityTooLarge,
			fmt.Sprintf("the photo has %d by %d pixels, more than %d million", size.Width, size.Height, mostPixels/1_000_000), "make it smaller"}
	}
	return picture, nil
}

// pictureType names the type of a picture by how it begins; "" when it is none
// that is taken.
func pictureType(picture []byte) string {
	switch t := http.DetectContentType(picture); t {
	case "image/jpeg", "image/png":
		return t
	}
	return ""
}

// keepPatience bounds how long words wait until they are on the card.
const keepPatience = time.Minute

// keep hands words on, once: a telephone that did not hear the answer sends
// them again under the same key. Whoever sends them, the answer says what
// became of them on the card, also when the first telephone is gone meanwhile.
func (srv *server) keep(w http.ResponseWriter, r *http.Request, said api.Note, err error) {
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	seq, err := srv.seen.once(r.Context(), r.PostForm.Get("key"), func() (uint64, error) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), keepPatience)
		defer cancel()
		return srv.Notes.Note(ctx, said)
	}, func(seq uint64) error { return srv.Notes.Kept(r.Context(), seq, said) })
	var late notKept
	if errors.As(err, &late) {
		srv.log.Error("note not on the card yet", "err", err)
		refuse(w, http.StatusServiceUnavailable, "the note is not on the card yet", "it is held in memory and saved when the card answers; write it down on paper as well")
		return
	}
	if err != nil {
		srv.log.Error("note not saved", "err", err)
		refuse(w, http.StatusInternalServerError, "the note could not be saved", "write it down on paper; the logger's log gives the reason")
		return
	}
	done(w, r, map[string]string{"noted": said.Text, "seq": strconv.FormatUint(seq, 10)})
}

// apiPhoto answers with a picture.
func (srv *server) apiPhoto(w http.ResponseWriter, r *http.Request) {
	number, err := strconv.ParseUint(r.PathValue("number"), 10, 64)
	if err != nil {
		refuse(w, http.StatusNotFound, "there is no such photo", "events name their photo by number")
		return
	}
	picture, err := srv.Timeline.Photo(r.Context(), number)
	if err != nil || pictureType(picture) == "" {
		srv.log.Warn("photo not shown", "number", number, "err", err)
		refuse(w, http.StatusNotFound, "there is no such photo", "events name their photo by number")
		return
	}
	w.Header().Set("Content-Type", pictureType(picture))
	_, _ = w.Write(picture) // the reader may be gone
}

// The years a telephone's clock may show.
var earliest, latestDate = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)

// setTime takes a telephone's time of day where the logger has none of its
// own.
func (srv *server) setTime(w http.ResponseWriter, r *http.Request) {
	who, said, err := words(r, "now", 40)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	now, err := time.Parse(time.RFC3339, said)
	if err != nil {
		now, err = time.Parse("2006-01-02T15:04", said) // of a form without script; UTC
	}
	if err != nil || now.Before(earliest) || now.After(latestDate) {
		refuse(w, http.StatusBadRequest, fmt.Sprintf("%q is no time of day", said), "send the field \"now\" such as 2025-11-08T18:30:00Z")
		return
	}
	if err := srv.Notes.SetTime(r.Context(), now, who); err != nil {
		srv.log.Warn("time not taken", "err", err)
		refuse(w, http.StatusConflict, "the time was not taken: "+err.Error(), "the report and the page say how the clock is known")
		return
	}
	done(w, r, map[string]string{"now": now.UTC().Format(time.RFC3339)})
}
