package page

import (
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tickover/model"
)

// act does to an alarm what a person wants. It changes
// nothing on the machine.
func (srv *server) act(w http.ResponseWriter, r *http.Request) {
	act := model.AlarmAct{Rule: r.PathValue("rule")}
	var known bool
	if act.Verb, known = model.AlarmVerbNamed(r.PathValue("act")); !known {
		refuse(w, http.StatusNotFound, "an alarm has no such act", "it can acknowledge, reset, shelve, unshelve, out-of-service, in-service")
		return
	}
	if !srv.knows(act.Rule) {
		refuse(w, http.StatusNotFound, "there is no such alarm", "the page Alarms lists them")
		return
	}
	var err error
	if act.Who, act.Why, err = words(r, "why", 500); err != nil {
		srv.fail(w, r, err)
		return
	}
	if text := r.PostForm.Get("for"); text != "" {
		if act.For, err = time.ParseDuration(text); err != nil {
			refuse(w, http.StatusBadRequest, "the field \"for\" is not a duration", "write 30m or 2h")
			return
		}
	}
	if err := srv.Alarms.Act(r.Context(), act); err != nil {
		srv.log.Warn("act on an alarm refused", "act", act.Verb, "rule", act.Rule, "err", err)
		refuse(w, http.StatusConflict, "not done: "+err.Error(), "the page Alarms shows its state")
		return
	}
	done(w, r, map[string]string{"done": act.Verb.String(), "alarm": act.Rule})
}

func (srv *server) knows(rule string) bool {
	setup := srv.Live.Setup()
	if slices.ContainsFunc(setup.Alarms, func(a model.AlarmRule) bool { return a.ID == rule }) {
		return true
	}
	snap := srv.Live.Latest()
	return snap != nil && slices.ContainsFunc(snap.Alarms, func(a model.AlarmStatus) bool { return a.Rule.ID == rule })
}

// words reads who speaks and what is said in a field, and refuses what is no
// text or too long.
func words(r *http.Request, field string, most int) (who, said string, err error) {
	if who, err = text(r, "who", 80); err != nil {
		return "", "", err
	}
	said, err = text(r, field, most)
	return who, said, err
}

// text reads one field, without control characters.
func text(r *http.Request, field string, most int) (string, error) {
	in := strings.TrimSpace(r.PostForm.Get(field))
	if !utf8.ValidString(in) || utf8.RuneCountInString(in) > most {
		return "", &badQuestion{http.StatusBadRequest, fmt.Sprintf("the field %q is not text or is longer than %d characters", field, most), "keep it shorter"}
	}
	return strings.Map(func(c rune) rune {
		if unicode.IsControl(c) && c != '\n' {
			return -1
		}
		return c
	}, in), nil
}

// ourPage matches the pages a form may lead back to.
var ourPage = regexp.MustCompile(`^/[a-z]*(#[a-z]+)?$`)

// done answers a person's browser with the page it came from and a program
// with JSON.
func done(w http.ResponseWriter, r *http.Request, answer map[string]string) {
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		back := r.PostForm.Get("back")
		if !ourPage.MatchString(back) {
			back = "/"
		}
		http.Redirect(w, r, back, http.StatusSeeOther)
		return
	}
	send(w, answer)
}

// send answers with JSON.
func send(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	_ = e.Encode(v) // a reader that is gone needs no answer
}
