package report

import (
	"context"
	"flag"
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
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

var screenshots = flag.String("screenshots", "", "folder for pictures of the page")

func chromium() string {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// accessible returns what a person with a screen reader or weak sight would
// stumble over: after WCAG 2.2, 1.1.1 (alternative text), 1.3.1 (headings and
// table headers), 1.4.3 (contrast of at least 4.5), 1.4.10 (no sideways scroll).
const accessible = `(() => {
  const bad = [];
  const lum = c => { const [r, g, b] = c.match(/[\d.]+/g).map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor; if (!/, 0\)$|transparent/.test(c)) return c; } return 'rgb(255, 255, 255)'; };
  for (const e of document.querySelectorAll('p, td, th, li, pre, h1, h2, h3, figcaption, caption, .iv, .note')) {
    const a = lum(getComputedStyle(e).color), b = lum(ground(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (!(ratio >= 4.5)) bad.push('contrast ' + ratio.toFixed(2) + ' of ' + e.tagName + ' ' + e.textContent.slice(0, 30));
  }
  for (const e of document.querySelectorAll('img')) if (!e.alt) bad.push('picture without text');
  for (const e of document.querySelectorAll('svg')) if (!e.ariaLabel && !e.ariaHidden) bad.push('drawing without text');
  for (const e of document.querySelectorAll('table')) if (!e.querySelector('thead th[scope=col]') || !e.querySelector('tbody th[scope=row]')) bad.push('table without headers');
  if (document.querySelectorAll('h1').length !== 1) bad.push('not one h1');
  if (!document.documentElement.lang) bad.push('no language');
  if (document.documentElement.scrollWidth > innerWidth) bad.push('wider than the screen: ' + document.documentElement.scrollWidth + ' of ' + innerWidth);
  if (getComputedStyle(document.querySelector('.answer')).fontWeight < 600) bad.push('the style sheet is not in force');
  return bad;
})()`

// The page in a real browser: desktop and phone, light and dark, with nothing on
// the console, no request beside the file and no stumble.
func TestInABrowser(t *testing.T) {
	browser := chromium()
	if browser == "" {
		t.Skip("no Chromium is installed; Debian's package chromium makes this test run")
	}
	png := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x06\x00\x00\x00\x1f\x15\xc4\x89\x00\x00\x00\rIDATx\x9cc\xf8\xcf\xc0\xf0\x1f\x00\x05\x00\x01\xff\x89\x99=\x1d\x00\x00\x00\x00IEND\xaeB`\x82")
	page, err := HTML(sample(), []Picture{{"Main picture", "Three groups", "image/png", png, true}})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(file, page, 0o644); err != nil {
		t.Fatal(err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(browser), chromedp.NoSandbox, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	defer stop()
	ctx, stop = chromedp.NewContext(ctx)
	defer stop()
	var mu sync.Mutex
	var heard []string
	requests := 0
	err = chromedp.Listen(ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled, *runtime.EventExceptionThrown:
			heard = append(heard, fmt.Sprintf("console: %+v", e))
		case *log.EventEntryAdded:
			heard = append(heard, "log: "+e.Entry.Text)
		case *network.EventRequestWillBeSent:
			requests++
			if u := e.Request.URL; u != "file://"+file && !strings.HasPrefix(u, "data:") {
				heard = append(heard, "request: "+u)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	for _, screen := range []struct {
		name          string
		width, height int64
		scheme        string
	}{
		{"desktop-light", 1280, 900, "light"}, {"desktop-dark", 1280, 900, "dark"},
		{"phone-light", 360, 740, "light"}, {"phone-dark", 360, 740, "dark"},
	} {
		t.Run(screen.name, func(t *testing.T) {
			ctx, stop := context.WithTimeout(ctx, time.Minute)
			defer stop()
			media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: screen.scheme}}}
			if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
				t.Fatal(err)
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(screen.width, screen.height), chromedp.Navigate("file://"+file)); err != nil {
				t.Fatal(err)
			}
			bad, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](accessible))
			if err != nil {
				t.Fatal(err)
			}
			for _, b := range bad {
				t.Error(b)
			}
			if *screenshots == "" {
				return
			}
			shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(*screenshots, screen.name+".png"), shot, 0o644); err != nil {
				t.Fatal(err)
			}
		})
	}
	mu.Lock()
	defer mu.Unlock()
	for _, h := range heard {
		t.Error(h)
	}
	if requests == 0 {
		t.Error("the browser reported no request at all, not even the file: nothing was watched")
	}
}
