package report

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dartfall/cmd/dartfall/internal/browsertest"
)

var screenshots = flag.String("screenshots", "", "folder for pictures of the page")

// The page in a real browser: desktop and phone, light and dark, with nothing on
// the console, no request beside the file and no stumble.
func TestInABrowser(t *testing.T) {
	ctx := browsertest.Open(t)
	png := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x06\x00\x00\x00\x1f\x15\xc4\x89\x00\x00\x00\rIDATx\x9cc\xf8\xcf\xc0\xf0\x1f\x00\x05\x00\x01\xff\x89\x99=\x1d\x00\x00\x00\x00IEND\xaeB`\x82")
	page, err := HTML(sample(), []Picture{{"Main picture", "Three groups", "image/png", png, true}})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(file, page, 0o644); err != nil {
		t.Fatal(err)
	}
	url := "file://" + file
	for _, screen := range []struct {
		name   string
		screen browsertest.Screen
	}{{"desktop", browsertest.Desktop}, {"phone", browsertest.Screen{Width: 360, Height: 740, Touch: true}}} {
		t.Run(screen.name, func(t *testing.T) {
			p := browsertest.Tab(ctx, t, screen.screen, url, url, time.Minute)
			for _, scheme := range []string{"light", "dark"} {
				p.Scheme(scheme)
				p.Accessible()
				p.Shot(*screenshots, screen.name+"-"+scheme)
			}
			if weight := browsertest.Eval[int](p, `Number(getComputedStyle(document.querySelector('.answer')).fontWeight)`); weight < 600 {
				t.Error("the style sheet is not in force")
			}
			// Plot, groups and the photos' words fit; where a table does not, a shadow says so.
			if wide := browsertest.Eval[string](p, `[...document.querySelectorAll('svg.strips, [aria-label="Velocity"] table, .words p')]
				.filter(e => e.getBoundingClientRect().right > innerWidth).map(e => e.className.baseVal ?? e.outerHTML.slice(0, 60)).join()`); wide != "" {
				t.Errorf("cut at the right: %s", wide)
			}
			if missing := browsertest.Eval[bool](p, `[...document.querySelectorAll('svg.strips, .words p')].length < 2 ||
				!getComputedStyle(document.querySelector('.scroll')).backgroundAttachment.includes('local')`); missing {
				t.Error("no plot, no words about the photos or no shadow where there is more")
			}
			p.Quiet()
		})
	}
}
