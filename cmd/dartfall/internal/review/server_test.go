package review

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/sheet"
)

// running is a server that serves, with a browser that was let in.
type running struct {
	*Server
	browser *http.Client
	ended   chan error
	stop    context.CancelFunc
}

func serving(t *testing.T, desk *Desk, setup *Setup) running {
	t.Helper()
	s, err := Listen(desk, setup)
	if err != nil {
		t.Fatal(err)
	}
	s.tabs.grace = 50 * time.Millisecond
	ctx, stop := context.WithCancel(context.Background())
	r := running{Server: s, ended: make(chan error, 1), stop: stop}
	go func() { r.ended <- s.Serve(ctx) }()
	t.Cleanup(stop)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r.browser = &http.Client{Jar: jar}
	res, err := r.browser.Get(s.URL())
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	page, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK || !bytes.Contains(page, []byte("<main")) {
		t.Fatalf("the page: status %d, %v", res.StatusCode, err)
	}
	if got := res.Request.URL.String(); strings.Contains(got, "key") {
		t.Errorf("the page's address still holds the secret: %s", got)
	}
	return r
}

// ask sends a request as the page would, changed by change.
func (r running) ask(t *testing.T, method, path string, body []byte, change func(*http.Request)) (status int, text string, header http.Header) {
	t.Helper()
	req, err := http.NewRequest(method, "http://"+r.host+path, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if method != http.MethodGet {
		req.Header.Set("Origin", "http://"+r.host)
		req.Header.Set("Content-Type", "application/json")
	}
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	if change != nil {
		change(req)
	}
	res, err := r.browser.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(b), res.Header
}

const removeOne = `{"kind":"remove","photo":"one.jpg","mark":"one.jpg#1"}`

// Each attack is refused and changes nothing; the same request from the page works.
func TestAttacks(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	foreign := func(name, value string) func(*http.Request) {
		return func(req *http.Request) { req.Header.Set(name, value) }
	}
	host := func(name string) func(*http.Request) { return func(req *http.Request) { req.Host = name } }
	_, port, _ := strings.Cut(r.host, ":")
	for _, test := range []struct {
		name, method, path, body string
		change                   func(*http.Request)
	}{
		{"a foreign name that points here", "GET", "/api/session", "", host("board.example:" + port)},
		{"the right name, another port", "GET", "/api/session", "", host("127.0.0.1:1")},
		{"localhost, which others may resolve", "GET", "/api/session", "", host("localhost:" + port)},
		{"no port", "GET", "/", "", host("127.0.0.1")},
		{"another site's script reads", "GET", "/api/session", "", foreign("Sec-Fetch-Site", "cross-site")},
		{"another port's script reads", "GET", "/photo/0/taken", "", foreign("Sec-Fetch-Site", "same-site")},
		{"another site's form", "POST", "/api/decide", removeOne, foreign("Origin", "http://board.example")},
		{"a sandboxed frame", "POST", "/api/decide", removeOne, foreign("Origin", "null")},
		{"another port", "POST", "/api/decide", removeOne, foreign("Origin", "http://127.0.0.1:1")},
		{"the right address over TLS", "POST", "/api/decide", removeOne, foreign("Origin", "https://"+r.host)},
		{"no origin", "POST", "/api/decide", removeOne, func(req *http.Request) { req.Header.Del("Origin") }},
		{"a preflight", "OPTIONS", "/api/decide", "", foreign("Origin", "http://board.example")},
		{"a form's text", "POST", "/api/decide", removeOne, foreign("Content-Type", "text/plain")},
		{"deleting", "DELETE", "/api/session", "", nil},
		{"changing by reading", "GET", "/api/decide", "", nil},
		{"an endless wish", "POST", "/api/decide", `{"kind":"remove","reason":"` + strings.Repeat("x", maxWish) + `"}`, nil},
		{"unknown fields", "POST", "/api/decide", `{"kind":"remove","path":"/etc/passwd"}`, nil},
		{"a wish that is none", "POST", "/api/decide", `[[[[`, nil},
		{"a photo by path", "GET", "/photo/..%2f..%2f..%2fetc%2fpasswd/taken", "", nil},
		{"a photo outside the list", "GET", "/photo/1/taken", "", nil},
		{"a photo below the list", "GET", "/photo/-1/taken", "", nil},
		{"a picture by path", "GET", "/picture/..%2f..%2fetc%2fpasswd", "", nil},
		{"a view that is none", "GET", "/photo/0/..%2fone.jpg", "", nil},
		{"a path upwards", "GET", "/../../../etc/passwd", "", func(req *http.Request) { req.URL.Opaque = "/../../../etc/passwd" }},
		{"the source beside the page", "GET", "/assets/index.html", "", nil},
		{"saving elsewhere", "POST", "/api/save/..%2f..%2fx", "{}", nil},
		{"photos for a session that has some", "POST", "/api/photos?name=x.jpg", "x", foreign("Content-Type", "application/octet-stream")},
		{"measuring a session again", "POST", "/api/start", "{}", nil},
	} {
		status, text, header := r.ask(t, test.method, test.path, []byte(test.body), test.change)
		if status < 400 || status >= 500 || strings.Contains(text, "root:") {
			t.Errorf("%s: status %d, %.80q, want a refusal", test.name, status, text)
		}
		if policy := header.Get("Content-Security-Policy"); !strings.Contains(policy, "default-src 'none'") {
			t.Errorf("%s: refused without the content policy", test.name)
		}
	}
	if n := len(r.Desk().Session().Decisions); n != 0 {
		t.Fatalf("%d decisions were made by attacks", n)
	}
	if status, text, _ := r.ask(t, "POST", "/api/decide", []byte(removeOne), nil); status != http.StatusOK || !strings.Contains(text, "Removed the blue mark") {
		t.Errorf("the page itself: status %d, %.200s", status, text)
	}
}

// Without the secret there is nothing; with it, a cookie that scripts cannot read and
// other sites' pages do not send.
func TestSecret(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	other := serving(t, testDesk(t), nil)
	if r.secret == other.secret || len(r.secret) < 26 || r.host == other.host { // 26 letters of base32 hold 130 bits
		t.Errorf("secrets %q and %q at %s and %s", r.secret, other.secret, r.host, other.host)
	}
	stranger := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	get := func(path string, cookie *http.Cookie) *http.Response {
		t.Helper()
		req, err := http.NewRequest("GET", "http://"+r.host+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if cookie != nil {
			req.AddCookie(cookie)
		}
		res, err := stranger.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		return res
	}
	for _, path := range []string{"/", "/main.js", "/api/session", "/api/tab", "/photo/0/taken", "/?key=", "/?key=" + other.secret, "/api/session?key=" + r.secret} {
		if res := get(path, nil); res.StatusCode != http.StatusForbidden || len(res.Cookies()) > 0 {
			t.Errorf("GET %s without the cookie: status %d", path, res.StatusCode)
		}
	}
	if res := get("/", &http.Cookie{Name: r.cookieName(), Value: other.secret}); res.StatusCode != http.StatusForbidden {
		t.Errorf("another run's cookie: status %d", res.StatusCode)
	}
	res := get("/?key="+r.secret, nil)
	if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/" || len(res.Cookies()) != 1 {
		t.Fatalf("with the secret: status %d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	if c := res.Cookies()[0]; !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Domain != "" || c.Path != "/" {
		t.Errorf("cookie %+v", c)
	}
}

// The policy names the page's own files only, and the page holds no inline script,
// no inline style and no address of another host.
func TestPolicy(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	_, page, header := r.ask(t, "GET", "/", nil, nil)
	want := "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	if got := header.Get("Content-Security-Policy"); got != want {
		t.Errorf("policy %q, want %q", got, want)
	}
	for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cross-Origin-Resource-Policy": "same-origin", "Cache-Control": "no-store"} {
		if got := header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	files, err := assets.ReadDir("assets")
	if err != nil || len(files) < 6 {
		t.Fatalf("%d assets, %v", len(files), err)
	}
	for _, f := range files {
		path := "/" + f.Name()
		if f.Name() == "index.html" {
			path = "/"
		}
		status, text, _ := r.ask(t, "GET", path, nil, nil)
		if status != http.StatusOK {
			t.Errorf("%s: status %d", path, status)
		}
		for _, bad := range []string{"//cdn", "https://", "style=\"", "onclick=\"", "<script>", "innerHTML", "eval("} {
			if strings.Contains(text, bad) {
				t.Errorf("%s holds %q", path, bad)
			}
		}
	}
	if !strings.Contains(page, `type="module" src="/main.js"`) {
		t.Error("the page does not load its script")
	}
}

// The port is open on the loopback interface alone.
func TestLoopbackOnly(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	ip, port, err := net.SplitHostPort(r.listener.Addr().String())
	if err != nil || !net.ParseIP(ip).IsLoopback() {
		t.Fatalf("listens on %s, %v", r.listener.Addr(), err)
	}
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range addrs {
		n, ok := a.(*net.IPNet)
		if !ok || n.IP.IsLoopback() || n.IP.IsLinkLocalUnicast() {
			continue
		}
		if c, err := net.DialTimeout("tcp", net.JoinHostPort(n.IP.String(), port), time.Second); err == nil {
			c.Close()
			t.Errorf("the port answers on %s", n.IP)
		}
	}
}

// The server outlives a reload and ends with the last of two tabs.
func TestEndsWithTheLastTab(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	r.tabs.grace = 300 * time.Millisecond
	open := func() (closeTab func()) {
		t.Helper()
		res, err := r.browser.Get("http://" + r.host + "/api/tab")
		if err != nil {
			t.Fatal(err)
		}
		if line, err := bufio.NewReader(res.Body).ReadString('\n'); err != nil || line != ": welcome\n" {
			t.Fatalf("the stream starts with %q, %v", line, err)
		}
		return func() { res.Body.Close() }
	}
	still := func(when string) {
		t.Helper()
		select {
		case err := <-r.ended:
			t.Fatalf("the server ended %s: %v", when, err)
		case <-time.After(600 * time.Millisecond):
		}
	}
	still("before the first tab")
	first, second := open(), open()
	first()
	still("with the second tab open")
	second()
	third := open() // a reload
	still("after a reload")
	third()
	select {
	case err := <-r.ended:
		if err != nil {
			t.Errorf("Serve = %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the server goes on without a tab")
	}
}

// Ctrl-C, which ends the context, ends the server while a tab is open.
func TestEndsWithContext(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	res, err := r.browser.Get("http://" + r.host + "/api/tab")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	r.stop()
	select {
	case err := <-r.ended:
		if err != nil {
			t.Errorf("Serve = %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the server goes on")
	}
}

// One tab hears of what the other decided.
func TestTabsHear(t *testing.T) {
	r := serving(t, testDesk(t), nil)
	res, err := r.browser.Get("http://" + r.host + "/api/tab")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	lines := bufio.NewScanner(res.Body)
	lines.Scan() // the welcome
	if status, text, _ := r.ask(t, "POST", "/api/decide", []byte(removeOne), nil); status != http.StatusOK {
		t.Fatalf("status %d: %s", status, text)
	}
	if status, text, _ := r.ask(t, "POST", "/api/decide", []byte(removeOne), nil); status != http.StatusConflict || !strings.Contains(text, "another tab") {
		t.Errorf("a stale tab: status %d, %q", status, text)
	}
	for lines.Scan() {
		if lines.Text() == "event: changed" {
			return
		}
	}
	t.Error("the other tab heard nothing")
}

// pngBytes is a small picture whose header claims the given size.
func pngBytes(t *testing.T, width, height uint32) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 8, 8))
	img.SetGray(3, 3, color.Gray{200})
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	data := b.Bytes()
	binary.BigEndian.PutUint32(data[16:], width)
	binary.BigEndian.PutUint32(data[20:], height)
	binary.BigEndian.PutUint32(data[29:], crc32.ChecksumIEEE(data[12:29]))
	return data
}

// What is dropped on an empty page is taken only when it is a photo within the
// limits, under a plain name, into the new folder; then it is measured.
func TestUpload(t *testing.T) {
	parent := t.TempDir()
	dir := filepath.Join(parent, "new")
	outside := filepath.Join(parent, "outside.jpg")
	setup := &Setup{Colours: []string{"red", "blue"}}
	setup.New = func() (string, error) {
		if err := os.Mkdir(dir, 0o755); err != nil {
			return "", err
		}
		return dir, os.Symlink(outside, filepath.Join(dir, "link.jpg"))
	}
	setup.Measure = func(_ context.Context, in string, g Given, progress func(int)) (*Desk, error) {
		progress(1)
		if g.Rings == "" {
			return nil, refuse("give the rings")
		}
		return NewDesk(testTools(in), []sheet.Photo{onePhoto()})
	}
	r := serving(t, nil, setup)
	send := func(name string, data []byte) (int, string) {
		t.Helper()
		status, text, _ := r.ask(t, "POST", "/api/photos?name="+url.QueryEscape(name), data, func(req *http.Request) { req.Header.Set("Content-Type", "application/octet-stream") })
		return status, text
	}
	good := pngBytes(t, 8, 8)
	for _, test := range []struct {
		name string
		data []byte
	}{
		{"../up.png", good}, {"/etc/up.png", good}, {"a/b.png", good}, {`..\up.png`, good}, {"C:up.png", good}, {".hidden.png", good},
		{"", good}, {".", good}, {"..", good}, {"line\nbreak.png", good}, {"nul\x00.png", good}, {strings.Repeat("x", 300) + ".png", good},
		{"program.exe", good}, {"session.toml", good}, {decisions.FileName, good},
		{"text.png", []byte("no photo at all")}, {"huge.png", pngBytes(t, 60000, 60000)}, {"cut.png", good[:len(good)-14]},
		{"link.jpg", good},
	} {
		if status, text := send(test.name, test.data); status < 400 || status >= 500 {
			t.Errorf("upload of %.20q: status %d, %s", test.name, status, text)
		}
	}
	if status, text := send("large.png", make([]byte, photo.DefaultMaxBytes+1)); status != http.StatusRequestEntityTooLarge {
		t.Errorf("a file over the limit: status %d, %s", status, text)
	}
	if _, err := os.Lstat(outside); err == nil {
		t.Error("a file was written outside the folder")
	}
	if status, text, _ := r.ask(t, "POST", "/api/start", []byte(`{"rings":"300mm"}`), nil); status != http.StatusUnprocessableEntity {
		t.Errorf("measuring nothing: status %d, %s", status, text)
	}
	if status, text := send("board 1.png", good); status != http.StatusOK || !strings.Contains(text, `"photos":["board 1.png"]`) {
		t.Fatalf("a good photo: status %d, %s", status, text)
	}
	if status, _ := send("board 1.png", pngBytes(t, 8, 8)); status != http.StatusUnprocessableEntity {
		t.Errorf("the same name again: status %d", status)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "board 1.png")); err != nil || !bytes.Equal(b, good) {
		t.Errorf("the photo did not arrive as sent: %v", err)
	}
	wait := func(holds string) {
		t.Helper()
		for range 200 {
			if _, text, _ := r.ask(t, "GET", "/api/session", nil, nil); strings.Contains(text, holds) {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
		_, text, _ := r.ask(t, "GET", "/api/session", nil, nil)
		t.Fatalf("the session never says %q: %s", holds, text)
	}
	r.ask(t, "POST", "/api/start", []byte(`{}`), nil)
	wait(`"trouble":"give the rings"`)
	if status, text, _ := r.ask(t, "POST", "/api/start", []byte(`{"rings":"300mm"}`), nil); status != http.StatusOK {
		t.Fatalf("start: status %d, %s", status, text)
	}
	wait(`"answer":"Two groups."`)
	if status, _ := send("late.png", good); status != http.StatusConflict {
		t.Errorf("a photo after measuring: status %d", status)
	}
}
