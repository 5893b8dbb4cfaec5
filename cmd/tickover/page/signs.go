package page

import (
	"net/http"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// checkInTimer is the timer of a person who works alone.
type checkInTimer interface {
	// Sign takes a check-in; every 0 keeps the time between two as it is.
	Sign(who string, every time.Duration) (model.Presence, error)
	// EndSigns ends the timer.
	EndSigns(who string) error
	// Presence is the state of the timer; false while it is off.
	Presence() (model.Presence, bool)
	// CheckIn is the timer as it is configured.
	CheckIn() model.CheckIn
}

// signs is the timer of a person who works alone, as the pages show it.
type signs struct {
	Stands, Due bool
	Who         string
	Every, Left string // between two signs; until the next is missed
	Missed      int
	Ago         string // since the last sign
	Untold      bool   // no recipient of missed check-ins
}

// dueShare is the last part of the time between two signs in which every page
// asks for one.
const dueShare = 5

// signs is nil where no timer was asked for and none stands.
func (srv *server) signs() *signs {
	if srv.CheckIns == nil || srv.opts.Now == nil {
		return nil
	}
	p, stands := srv.CheckIns.Presence()
	if !stands {
		if srv.CheckIns.CheckIn().Given() {
			return &signs{}
		}
		return nil
	}
	now := srv.opts.Now()
	left, _ := p.Left(now)
	ago, _ := now.Sub(p.Signed)
	return &signs{Stands: true, Due: p.Missed > 0 || left < p.Every/dueShare, Who: p.Who, Every: span(p.Every), Left: span(left), Missed: p.Missed, Ago: span(ago),
		Untold: len(srv.CheckIns.CheckIn().To) == 0}
}

func (srv *server) apiPresence(w http.ResponseWriter, _ *http.Request) {
	p, watched := srv.CheckIns.Presence()
	out := api.CheckIn{Watched: watched, Who: p.Who, Every: p.Every.Seconds(), Missed: p.Missed, Told: append([]string{}, srv.CheckIns.CheckIn().To...)}
	if watched && srv.opts.Now != nil {
		since, _ := srv.opts.Now().Sub(p.Signed)
		left, _ := p.Left(srv.opts.Now())
		out.Since, out.Left = since.Seconds(), left.Seconds()
	}
	send(w, out)
}

// sign takes a sign, or with end=yes the end of working alone.
func (srv *server) sign(w http.ResponseWriter, r *http.Request) {
	who, every, err := words(r, "every", 20)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	if r.PostForm.Get("end") == "yes" {
		if err := srv.CheckIns.EndSigns(who); err != nil {
			srv.fail(w, r, err)
			return
		}
		done(w, r, map[string]string{"check-in": "ended"})
		return
	}
	var between time.Duration
	if every != "" {
		if between, err = time.ParseDuration(every); err != nil {
			refuse(w, http.StatusBadRequest, "the field \"every\" is no time", "send it such as 15m")
			return
		}
	}
	p, err := srv.CheckIns.Sign(who, between)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error(), "send \"every\" such as 15m, or leave it out")
		return
	}
	done(w, r, map[string]string{"check-in": "next sign within " + model.Lasting(p.Every)})
}
