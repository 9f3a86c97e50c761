// Package browsertest drives Debian's Chromium in tests: it opens a page as a person
// would see it, hears what goes wrong on it, and has it checked for contrast, names
// and labels by axe-core (Deque Systems, MPL-2.0, in the folder axe-core with its
// licence; loaded by tests alone).
package browsertest

import (
	"context"
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

//go:embed axe-core/axe.min.js
var axe string

// Open starts a browser for the test, which ends it. Without a browser the test is
// skipped on a person's machine and fails in CI.
func Open(t *testing.T) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		const missing = "no Chromium is installed; sh .ci/setup.sh tests installs Debian's"
		if os.Getenv("CI") != "" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("the browser does not start: %v", err)
	}
	return ctx
}

// Screen is what a page is seen on.
type Screen struct {
	Width, Height int64
	Touch         bool
}

// The usual screens: a desktop and a phone.
var (
	Desktop = Screen{1280, 900, false}
	Phone   = Screen{390, 844, true}
)

// Page is one tab.
type Page struct {
	ctx    context.Context
	t      *testing.T
	origin string
	close  context.CancelFunc

	mu    sync.Mutex
	heard []string
	asked int // requests
}

// Tab opens url in a tab of its own. What the page says on its console, and what it
// asks of any other host, fails the test at the end.
func Tab(ctx context.Context, t *testing.T, s Screen, origin, url string, limit time.Duration) *Page {
	t.Helper()
	ctx, stop := chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, cancel := context.WithTimeout(ctx, limit)
	t.Cleanup(cancel)
	p := &Page{ctx: ctx, t: t, origin: origin, close: stop}
	if err := chromedp.Listen(ctx, p.hear); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	var opts []chromedp.EmulateViewportOption
	if s.Touch {
		opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	p.Do(chromedp.EmulateViewport(s.Width, s.Height, opts...), chromedp.Navigate(url))
	return p
}

// Close closes the tab, as a person does.
func (p *Page) Close() { p.close() }

func (p *Page) hear(ev any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventConsoleAPICalled, *runtime.EventExceptionThrown:
		p.heard = append(p.heard, fmt.Sprintf("console: %+v", e))
	case *log.EventEntryAdded:
		p.heard = append(p.heard, "log: "+e.Entry.Text+" "+e.Entry.URL)
	case *network.EventRequestWillBeSent:
		p.asked++
		if u := e.Request.URL; !strings.HasPrefix(u, p.origin) && !strings.HasPrefix(u, "data:") {
			p.heard = append(p.heard, "request: "+u)
		}
	}
}

// Quiet fails the test for everything heard since the last call.
func (p *Page) Quiet() {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, h := range p.heard {
		p.t.Error(h)
	}
	p.heard = nil
	if p.asked == 0 {
		p.t.Error("the browser reported no request at all: nothing was watched")
	}
}

// Do runs steps; one that fails ends the test.
func (p *Page) Do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.t.Fatal(err)
	}
}

// Eval is the value of a JavaScript expression, awaited when it is a promise.
func Eval[T any](p *Page, expression string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Wait waits until a JavaScript expression holds.
func (p *Page) Wait(expression string) {
	p.t.Helper()
	if _, err := chromedp.Run(p.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(30*time.Second))); err != nil {
		p.t.Fatalf("never held: %s (%v); the page says %q", expression, err, Eval[string](p, `document.getElementById('notice')?.textContent ?? ''`))
	}
}

// Scheme sets whether the person prefers light or dark.
func (p *Page) Scheme(name string) {
	p.t.Helper()
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, media); err != nil {
		p.t.Fatal(err)
	}
}

// Accessible fails the test for every rule of WCAG 2.2 A and AA, and of good
// practice, that axe-core finds broken, and when the page is wider than the screen.
func (p *Page) Accessible() {
	p.t.Helper()
	Eval[bool](p, axe+";true")
	broken := Eval[[]string](p, `axe.run(document).then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ': ' + n.html.slice(0, 120) + ' ' + n.failureSummary)))`)
	for _, b := range broken {
		p.t.Error(b)
	}
	if passes := Eval[int](p, `axe.run(document).then(r => r.passes.length)`); passes < 10 {
		p.t.Errorf("axe-core checked %d rules only", passes)
	}
	if wide := Eval[int](p, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
		p.t.Errorf("the page is %d px wider than the screen", wide)
	}
}

// Touch is a step of fingers on the screen.
func Touch(kind input.DispatchTouchEventType, points []*input.TouchPoint) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, _ *chromedp.Target) (chromedp.Void, error) {
		_, err := chromedp.Call(ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return chromedp.Void{}, err
	}
}

// Shot writes a picture of the whole page into dir; "" writes none.
func (p *Page) Shot(dir, name string) {
	p.t.Helper()
	if dir == "" {
		return
	}
	shot, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), shot, 0o644); err != nil {
		p.t.Fatal(err)
	}
}
