package review

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"dartfall/cmd/dartfall/internal/decisions"
)

//go:embed assets
var assets embed.FS

// Server serves the page to the one browser that was given its address. What keeps
// others out:
//
//   - it listens on 127.0.0.1 alone, on a port of the system's choice;
//   - the Host header must be that address, so that a foreign name that was made to
//     point here (DNS rebinding) reaches nothing;
//   - the address holds a secret of this run, exchanged for a cookie that scripts
//     cannot read and other sites' pages do not send (HttpOnly, SameSite=Strict);
//   - a request that changes anything must have the page's own Origin, and none may
//     come from another site (Fetch Metadata);
//   - the content policy allows the page its own scripts, styles and pictures only;
//   - files are served by their number in the session, never by a path.
type Server struct {
	listener net.Listener
	host     string // 127.0.0.1:port
	secret   string
	tabs     *tabs
	setup    *Setup
	life     context.Context // ends with the server, not with a request
	stop     context.CancelFunc

	mu   sync.Mutex
	desk *Desk // nil until photos were measured
}

// Limits of what a request may hold, in bytes.
const (
	maxWish    = 64 << 10
	maxHeaders = 16 << 10
)

// reloadGrace is how long a reload may leave the server without a tab.
const reloadGrace = 3 * time.Second

// Listen opens the server's port. desk may be nil when setup makes one from photos
// that are dropped on the page.
func Listen(desk *Desk, setup *Setup) (*Server, error) {
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("cannot open a port for the page: %v", err)
	}
	s := &Server{listener: l, host: l.Addr().String(), secret: rand.Text(), tabs: newTabs(reloadGrace), setup: setup, desk: desk}
	s.life, s.stop = context.WithCancel(context.Background())
	return s, nil
}

// URL is the page's address with the secret of this run.
func (s *Server) URL() string { return "http://" + s.host + "/?key=" + s.secret }

// Serve serves the page until ctx ends or the last tab has been closed.
func (s *Server) Serve(ctx context.Context) error {
	defer s.stop()
	h := &http.Server{
		Handler: s.Handler(), ReadHeaderTimeout: 5 * time.Second, MaxHeaderBytes: maxHeaders,
		BaseContext: func(net.Listener) context.Context { return s.life },
	}
	if d := s.Desk(); d != nil {
		go d.warm()
	}
	done := make(chan error, 1)
	go func() { done <- h.Serve(s.listener) }()
	select {
	case err := <-done:
		return fmt.Errorf("the page's server stopped: %v", err)
	case <-s.tabs.gone:
	case <-ctx.Done():
	}
	s.stop() // the tabs' streams end with it
	end, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := h.Shutdown(end); err != nil {
		h.Close()
	}
	return nil
}

// Desk is the session that is shown, nil before there is one.
func (s *Server) Desk() *Desk {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.desk
}

func (s *Server) put(d *Desk) {
	s.mu.Lock()
	s.desk = d
	s.mu.Unlock()
	s.tabs.tell("session")
	d.warm()
}

// cookieName differs by port: cookies are shared by all ports of a host.
func (s *Server) cookieName() string {
	_, port, _ := strings.Cut(s.host, ":")
	return "dartfall-" + port
}

// Handler answers requests from the page and refuses all others.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", asset("index.html"))
	for _, name := range []string{"style.css", "icon.svg", "main.js", "board.js", "api.js", "setup.js"} {
		mux.HandleFunc("GET /"+name, asset(name))
	}
	mux.HandleFunc("GET /api/tab", s.tab)
	mux.HandleFunc("GET /api/session", s.session)
	mux.HandleFunc("GET /api/photo/{i}", s.withDesk(photoAnswer))
	mux.HandleFunc("GET /photo/{i}/{view}", s.withDesk(photoPicture))
	mux.HandleFunc("GET /picture/{key}", s.withDesk(publicPicture))
	mux.HandleFunc("POST /api/decide", s.withDesk(s.decide))
	mux.HandleFunc("POST /api/save/{key}", s.withDesk(save))
	mux.HandleFunc("POST /api/photos", s.upload)
	mux.HandleFunc("POST /api/start", s.start)
	return s.guard(mux)
}

// guard lets the page's own requests through.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		switch {
		case r.Host != s.host:
			http.Error(w, "this page is not served under that name", http.StatusForbidden)
		case foreign(r):
			http.Error(w, "this page answers no other site", http.StatusForbidden)
		case r.URL.Path == "/" && r.URL.Query().Has("key"):
			s.admit(w, r)
		case !s.admitted(r):
			http.Error(w, "Open the address that dartfall printed when it started: it holds this run's key.", http.StatusForbidden)
		case r.Method != http.MethodGet && r.Header.Get("Origin") != "http://"+s.host:
			http.Error(w, "only the page itself may change anything", http.StatusForbidden)
		default:
			next.ServeHTTP(w, r)
		}
	})
}

// foreign reports whether the browser says that another site asks.
func foreign(r *http.Request) bool {
	site := r.Header.Get("Sec-Fetch-Site")
	return site != "" && site != "same-origin" && site != "none"
}

// admit exchanges the secret in the address for a cookie.
func (s *Server) admit(w http.ResponseWriter, r *http.Request) {
	if !s.same(r.URL.Query().Get("key")) {
		http.Error(w, "That key is of another run: open the address that dartfall printed last.", http.StatusForbidden)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: s.cookieName(), Value: s.secret, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (s *Server) admitted(r *http.Request) bool {
	c, err := r.Cookie(s.cookieName())
	return err == nil && s.same(c.Value)
}

func (s *Server) same(key string) bool {
	return subtle.ConstantTimeCompare([]byte(key), []byte(s.secret)) == 1
}

func asset(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { http.ServeFileFS(w, r, assets, "assets/"+name) }
}

// withDesk answers only once there is a session.
func (s *Server) withDesk(f func(http.ResponseWriter, *http.Request, *Desk)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		d := s.Desk()
		if d == nil {
			http.Error(w, "there are no photos yet", http.StatusNotFound)
			return
		}
		f(w, r, d)
	}
}

// tab is a stream that lives as long as a tab and brings it news. The comments keep
// it from being taken for dead.
func (s *Server) tab(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	c := s.tabs.join()
	defer s.tabs.leave(c)
	control := http.NewResponseController(w)
	send := func(text string) bool {
		_, err := io.WriteString(w, text)
		return err == nil && control.Flush() == nil
	}
	if !send(": welcome\n\n") {
		return
	}
	beat := time.NewTicker(15 * time.Second)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case word := <-c:
			if !send("event: " + word + "\ndata:\n\n") {
				return
			}
		case <-beat.C:
			if !send(": still here\n\n") {
				return
			}
		}
	}
}

func (s *Server) session(w http.ResponseWriter, _ *http.Request) {
	if d := s.Desk(); d != nil {
		answer(w, map[string]any{"session": d.Session()})
		return
	}
	answer(w, map[string]any{"setup": s.setup.view()})
}

// photoOf is the number of the photo that is asked for.
func photoOf(r *http.Request) int {
	i, err := strconv.Atoi(r.PathValue("i"))
	if err != nil {
		return -1
	}
	return i
}

func photoAnswer(w http.ResponseWriter, r *http.Request, d *Desk) {
	v, ok, err := d.Photo(photoOf(r))
	switch {
	case err != nil:
		fail(w, err)
	case !ok:
		http.NotFound(w, r)
	default:
		answer(w, v)
	}
}

func photoPicture(w http.ResponseWriter, r *http.Request, d *Desk) {
	data, err := d.picture(photoOf(r), r.PathValue("view"))
	switch {
	case err != nil:
		fail(w, err)
	case data == nil:
		http.NotFound(w, r)
	default:
		w.Header().Set("Content-Type", "image/jpeg")
		w.Write(data)
	}
}

func publicPicture(w http.ResponseWriter, r *http.Request, d *Desk) {
	data, err := d.publicPicture(r.PathValue("key"))
	if err != nil {
		fail(w, err)
		return
	}
	w.Header().Set("Content-Type", "image/png")
	w.Write(data)
}

func save(w http.ResponseWriter, r *http.Request, d *Desk) {
	file, err := d.save(r.PathValue("key"))
	if err != nil {
		fail(w, err)
		return
	}
	answer(w, map[string]string{"file": file})
}

// decide makes a decision and answers with the session and the photo as they then
// are.
func (s *Server) decide(w http.ResponseWriter, r *http.Request, d *Desk) {
	var wish Wish
	if err := readJSON(w, r, &wish); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if err := d.Decide(s.life, wish); err != nil {
		fail(w, err)
		return
	}
	s.tabs.tell("changed")
	out := map[string]any{"session": d.Session()}
	if v, ok, err := d.Photo(d.index(wish.Photo)); ok && err == nil {
		out["photo"] = v
	}
	answer(w, out)
}

// readJSON reads a small JSON body without unknown fields.
func readJSON(w http.ResponseWriter, r *http.Request, v any) error {
	if t := r.Header.Get("Content-Type"); t != "application/json" {
		return fmt.Errorf("the request is %q, not JSON", t)
	}
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxWish))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("the request cannot be read: %v", err)
	}
	return nil
}

func answer(w http.ResponseWriter, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "the answer cannot be written: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(b)
}

// fail tells the person what went wrong.
func fail(w http.ResponseWriter, err error) {
	status := http.StatusInternalServerError
	var r refusal
	switch {
	case errors.Is(err, decisions.ErrStale):
		status, err = http.StatusConflict, decisions.ErrStale
	case errors.As(err, &r):
		status = http.StatusUnprocessableEntity
	}
	http.Error(w, err.Error(), status)
}
