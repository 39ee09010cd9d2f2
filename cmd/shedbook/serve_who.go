package main

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"shedbook/report/render"
	"shedbook/store"
)

// cookieName is what a phone shows.
const cookieName = "shedbook"

// visitor is who asks for a page: a phone, or whoever sits at this computer.
type visitor struct {
	phone store.Phone // its number is 0 at this computer
	book  *store.Book
	keep  bool
}

// page is a page that only a visitor sees.
type page func(w http.ResponseWriter, r *http.Request, v visitor)

// known lets a page be seen by whoever may come in; keepers alone may see the
// others'.
func (s *server) known(keepers bool, p page) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		b, err := s.held(r.Context())
		if err != nil {
			s.fail(w, err)
			return
		}
		v, ok, err := s.visitor(r, b)
		switch {
		case err != nil:
			s.fail(w, err)
		case !ok && r.Method == http.MethodGet:
			http.Redirect(w, r, "/pair?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		case !ok:
			s.show(w, http.StatusUnauthorized, "pair", render.ShedPage{Title: "Let this phone in",
				Body: &render.ShedPair{Wrong: "This phone was not let in, so nothing was recorded."}})
		case keepers && !v.keep:
			s.message(w, http.StatusForbidden, "Not allowed",
				"This phone may record and read. Whoever keeps the book can let it do more.")
		default:
			p(w, r, v)
		}
	}
}

// visitor finds who asks: by the cookie, or, where no phone was added, by being at
// this computer.
func (s *server) visitor(r *http.Request, b *store.Book) (visitor, bool, error) {
	if c, err := r.Cookie(cookieName); err == nil {
		p, ok, err := b.PhoneOf(r.Context(), c.Value)
		if err != nil || ok {
			return visitor{p, b, p.Keep()}, ok, err
		}
	}
	if !s.atThisComputer(r) {
		return visitor{}, false, nil
	}
	any, err := b.AnyPhone(r.Context())
	return visitor{book: b, keep: true}, err == nil && !any, err
}

// atThisComputer reports whether somebody at this very computer asks, by one of its
// own names: a name from outside that leads here (DNS rebinding) is none, and what a
// proxy hands on may come from anywhere.
func (s *server) atThisComputer(r *http.Request) bool {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !s.loopback || !from.Addr().Unmap().IsLoopback() {
		return false
	}
	for _, header := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto",
		"X-Real-Ip", "Via"} {
		if r.Header.Get(header) != "" {
			return false
		}
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	addr, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return strings.EqualFold(host, "localhost") || err == nil && addr.Unmap().IsLoopback()
}

// here is a path of this page, from what was asked for; the fleet where it is none.
func here(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") ||
		strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return to
}

func (s *server) pairPage(w http.ResponseWriter, r *http.Request) {
	s.show(w, http.StatusOK, "pair", render.ShedPage{Title: "Let this phone in",
		Body: &render.ShedPair{To: here(r.URL.Query().Get("to"))}})
}

// pair takes the code that was typed.
func (s *server) pair(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 4<<10)
	b, err := s.held(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	cookie, _, err := b.By(0, store.Form{}, s.now).Pair(r.Context(), r.PostFormValue("code"))
	to := here(r.PostFormValue("to"))
	var refused *store.Error
	switch {
	case errors.As(err, &refused) && refused.Trouble == store.Refused:
		s.show(w, http.StatusForbidden, "pair", render.ShedPage{Title: "Let this phone in",
			Body: &render.ShedPair{To: to, Wrong: upperFirst(refused.Says) + "."}})
	case err != nil:
		s.fail(w, err)
	default:
		http.SetCookie(w, &http.Cookie{Name: cookieName, Value: cookie, Path: "/", MaxAge: int(cookieLife.Seconds()),
			HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode})
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}
