package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/browsertest"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/review"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
)

var screenshots = flag.String("screenshots", "", "folder for pictures of the review page")

// oneBoard is a folder with the last photo of the demo, which shows all three of its
// accessories, and a session file to that effect.
func oneBoard(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	const name = "demo-3.jpg"
	copyFile(t, filepath.Join("..", "..", "testdata", "demo", name), filepath.Join(dir, name))
	s := session.Session{Title: "Three attachments at 25 m", Distance: session.Length{Text: "25m", MM: 25000}, Outliers: session.Outliers{Rule: "drop", Drop: 2}}
	for _, mm := range []float64{200, 400, 600, 800} {
		s.Board.Rings = append(s.Board.Rings, session.Length{Text: units.Exact(mm), MM: mm})
	}
	s.Marks.StickerSize = session.Length{Text: "19mm", MM: 19}
	for i, a := range []session.Accessory{{Name: "North", Sticker: "blue"}, {Name: "Reed", Sticker: "orange"}, {Name: "Slate", Sticker: "purple"}} {
		s.Accessories = append(s.Accessories, a)
		s.Strings = append(s.Strings, session.String{Accessory: a.Name, Photo: name, Shots: 15, Misses: i / 2})
	}
	text := session.Format(s, []session.Shot{{Photo: name}})
	if err := os.WriteFile(filepath.Join(dir, session.FileName), text, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// reviewPage is the page with its session.
type reviewPage struct {
	*browsertest.Page
	t    *testing.T
	desk *review.Desk
}

// notice waits until the page says so.
func (p reviewPage) notice(words string) {
	p.t.Helper()
	p.Wait(fmt.Sprintf(`document.getElementById('notice').textContent.includes(%q)`, words))
}

func (p reviewPage) click(selector string) {
	p.t.Helper()
	p.Do(chromedp.ScrollIntoView(selector), chromedp.Click(selector))
}

// choose sets a list as a person does, by its own event.
func (p reviewPage) choose(selector, value string) {
	p.t.Helper()
	browsertest.Eval[bool](p.Page, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event('change')); return e.value === %q; })()`, selector, value, value))
}

// write types over what a field holds.
func (p reviewPage) write(selector, text string) {
	p.t.Helper()
	browsertest.Eval[bool](p.Page, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.focus(); e.select(); return true; })()`, selector))
	p.Do(chromedp.KeyEvent(text))
}

// middle is the middle of the board on the screen, with the board in view.
func (p reviewPage) middle() (x, y float64) {
	p.t.Helper()
	at := browsertest.Eval[[]float64](p.Page, `(() => { const c = document.getElementById('board'); c.scrollIntoView({block: 'center'}); const b = c.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; })()`)
	return at[0], at[1]
}

// pick chooses a mark in the list, which brings it into the middle of the board.
func (p reviewPage) pick(id string) {
	p.t.Helper()
	p.click(fmt.Sprintf(`[data-key="mark %s"]`, id))
	p.Wait(`document.querySelector('#marks [aria-pressed="true"]') !== null && document.getElementById('do-move') !== null`)
}

func (p reviewPage) mark(id string) sheet.Impact {
	p.t.Helper()
	for _, m := range p.desk.Summary().Photos[0].Marks {
		if m.ID == id {
			return m
		}
	}
	p.t.Fatalf("there is no mark %s", id)
	return sheet.Impact{}
}

// lone returns a mark of that colour which touches no other.
func (p reviewPage) lone(colour string, besides ...string) sheet.Impact {
	p.t.Helper()
	for _, m := range p.desk.Summary().Photos[0].Marks {
		if m.Colour == colour && len(m.Flags) == 0 && m.Source == sheet.Found && m.SetAside == "" && !strings.Contains(strings.Join(besides, " "), m.ID) {
			return m
		}
	}
	p.t.Fatalf("no %s mark stands alone", colour)
	return sheet.Impact{}
}

func (p reviewPage) counts() (n [3]int) {
	for i, g := range p.desk.Summary().Groups {
		n[i] = g.All.N
	}
	return n
}

// shows fails unless the table on the page holds what the session does.
func (p reviewPage) shows() {
	p.t.Helper()
	for _, g := range p.desk.Summary().Groups {
		want := ranged(g.All.ExtremeSpreadMM)
		p.Wait(fmt.Sprintf(`document.getElementById('groups').textContent.includes(%q)`, want))
	}
}

// snapMM is how far a mark placed by hand may lie from where the detector had it: that
// knows the shadows of all stickers, one disc alone does not show its own.
const snapMM = 0.3

func near(a, b sheet.Impact, limitMM float64) bool {
	return math.Hypot(float64(a.XMM-b.XMM), float64(a.YMM-b.YMM)) <= limitMM
}

func added(p reviewPage) sheet.Impact {
	for _, m := range p.desk.Summary().Photos[0].Marks {
		if m.Source == sheet.Added {
			return m
		}
	}
	return sheet.Impact{}
}

// The whole task in a real browser: open, fix one of each kind, publish, with a mouse
// on a desktop, by touch on a phone, and with the keyboard alone.
func TestReviewInABrowser(t *testing.T) {
	ctx := browsertest.Open(t)
	dir := oneBoard(t)
	j, err := jobIn(dir)
	if err != nil {
		t.Fatal(err)
	}
	desk, err := layOut(context.Background(), console{Out: io.Discard, Err: io.Discard}, &j)
	if err != nil {
		t.Fatal(err)
	}
	s, err := review.Listen(desk, nil)
	if err != nil {
		t.Fatal(err)
	}
	running, stop := context.WithCancel(context.Background())
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(running) }()
	origin, _, _ := strings.Cut(s.URL(), "?")
	open := func(t *testing.T, screen browsertest.Screen) reviewPage {
		p := reviewPage{browsertest.Tab(ctx, t, screen, origin, s.URL(), 2*time.Minute), t, desk}
		p.Wait(`document.body.dataset.shown === '0/flat'`)
		return p
	}
	takeBack := func(p reviewPage) {
		p.t.Helper()
		p.click("#undo")
		p.notice("Taken back")
	}

	t.Run("desktop, mouse", func(t *testing.T) {
		p := open(t, browsertest.Desktop)
		for _, scheme := range []string{"light", "dark"} {
			p.Scheme(scheme)
			p.Accessible()
			p.Shot(*screenshots, "desktop-"+scheme)
		}
		p.Scheme("light")
		before := p.counts()
		blue := p.lone("blue")
		p.pick(blue.ID)
		p.write("#reason", "not a sticker")
		p.click("#do-remove")
		p.notice("Removed the blue mark")
		if got := p.counts(); got[0] != before[0]-1 {
			t.Errorf("counts %v after removing a blue mark of %v", got, before)
		}
		p.shows()

		// A mark dropped 4 px beside the place goes where the detector had it.
		p.click("#do-let-go")
		p.choose("#colour", "blue")
		p.click("#do-add")
		x, y := p.middle()
		p.Do(chromedp.MouseClickXY(x+4, y-3))
		p.notice("Added the blue mark")
		if got := added(p); !near(got, blue, snapMM) || !(got.SigmaMM < 0.3) {
			t.Errorf("added at %.3f, %.3f ± %.3f mm, found at %.3f, %.3f", got.XMM, got.YMM, got.SigmaMM, blue.XMM, blue.YMM)
		}
		p.shows()

		orange := p.lone("orange")
		p.pick(orange.ID)
		p.click("#exact")
		x, y = p.middle()
		p.Do(chromedp.DragAndDropXY(x, y, x+40, y+10))
		p.notice("Moved the orange mark")
		if got := p.mark(orange.ID); near(got, orange, 1) || got.Source != sheet.Moved {
			t.Errorf("moved to %.1f, %.1f from %.1f, %.1f", got.XMM, got.YMM, orange.XMM, orange.YMM)
		}
		takeBack(p)
		if !near(p.mark(orange.ID), orange, 1e-9) {
			t.Error("undo did not bring the mark back")
		}
		p.click("#redo")
		p.notice("Made again: Moved")
		takeBack(p)

		p.click("#exact")
		p.choose("#colour", "purple")
		p.notice("Called the orange mark")
		p.choose("#string", "2 Reed")
		p.notice("to string 2 Reed")
		if got := p.mark(orange.ID); got.Colour != "purple" || got.String != "2 Reed" {
			t.Errorf("recoloured and assigned: %s, %q", got.Colour, got.String)
		}
		p.click("#do-split")
		p.click("#same-place")
		p.notice("into two")
		p.write("#cause", "dart jammed")
		p.click("#do-flyer")
		p.notice("a flyer: dart jammed")
		p.Wait(`document.getElementById('groups').textContent.includes('without flyers')`)
		p.click("#do-sighter")
		p.notice("a sighter")
		p.click("#do-count")
		p.notice("it counts")
		p.write(`[data-key="misses 1 North"]`, "2")
		p.click(`[data-key="set 1 North"]`)
		p.notice("misses of string 1 North from 0 to 2")
		if got := desk.Summary().Groups[0]; got.Misses != 2 || !got.All.ExtremeSpreadMM.AtLeast {
			t.Errorf("after two misses: %d, at least %v", got.Misses, got.All.ExtremeSpreadMM.AtLeast)
		}
		p.shows()

		p.write("#ring", "796mm")
		p.click("#ring-form button")
		p.notice("a diameter of 796 mm")
		if d := float64(desk.Summary().Photos[0].Rings[0].DiameterMM); !(math.Abs(d-796) < 1) {
			t.Errorf("the outermost ring is %.1f mm, want 796", d)
		}
		takeBack(p)
		p.points(t)
		takeBack(p)

		p.choose("#picture", "vertical-common-centre")
		p.Wait(`document.getElementById('preview').src.includes('vertical-common-centre') && document.getElementById('preview').naturalHeight === 1920`)
		p.click("#save")
		p.notice("Saved to")
		if _, err := os.Stat(filepath.Join(dir, "results", picturesDir, "vertical-common-centre.png")); err != nil {
			t.Error(err)
		}
		p.click("#view-taken")
		p.Wait(`document.body.dataset.shown === '0/taken'`)
		p.click("#show-rings")
		p.Shot(*screenshots, "desktop-decided")
		p.Accessible()
		p.speed(orange.ID)
		p.panning()
		p.Quiet()
	})

	t.Run("phone, touch", func(t *testing.T) {
		p := open(t, browsertest.Phone)
		for _, scheme := range []string{"dark", "light"} {
			p.Scheme(scheme)
			p.Accessible()
			p.Shot(*screenshots, "phone-"+scheme)
		}
		purple := p.lone("purple")
		p.tap(fmt.Sprintf(`[data-key="mark %s"]`, purple.ID))
		p.tap("#do-remove")
		p.notice("Removed the purple mark")
		p.tap("#do-let-go")
		p.choose("#colour", "purple")
		p.tap("#do-add")
		x, y := p.middle()
		p.touch([2]float64{x - 3, y + 4})
		p.notice("Added the purple mark")
		found := false
		for _, m := range desk.Summary().Photos[0].Marks {
			found = found || (m.Source == sheet.Added && m.Colour == "purple" && near(m, purple, snapMM))
		}
		if !found {
			t.Error("the mark dropped by touch is not at the disc's centre")
		}
		p.tap("#do-move")
		x, y = p.middle()
		p.touch([2]float64{x + 2, y + 2})
		p.notice("Moved the purple mark")
		scale := browsertest.Eval[string](p.Page, `document.getElementById('scale').textContent`)
		p.pinch(x, y, 40, 120)
		p.Wait(fmt.Sprintf(`parseFloat(document.getElementById('scale').textContent) > 2.5 * parseFloat(%q)`, scale))
		for range 3 {
			p.tap("#undo")
			p.notice("Taken back")
			p.Wait(`document.getElementById('redo').disabled === false`)
		}
		p.choose("#picture", "thumbnail-as-shot")
		p.Wait(`document.getElementById('preview').naturalWidth === 1280`)
		p.tap("#save")
		p.notice("Saved to")
		p.Shot(*screenshots, "phone-decided")
		p.Quiet()
	})

	t.Run("keyboard alone", func(t *testing.T) {
		p := open(t, browsertest.Desktop)
		key := func(keys ...string) {
			t.Helper()
			for _, k := range keys {
				p.Do(chromedp.KeyEvent(k))
			}
		}
		p.tabTo("board")
		key("n")
		p.notice("right")
		first := browsertest.Eval[string](p.Page, `document.querySelector('#marks [aria-pressed="true"]').dataset.key`)
		at := p.mark(strings.TrimPrefix(first, "mark "))
		key("x")
		p.notice("Removed")
		p.Do(chromedp.KeyEvent("z", chromedp.KeyModifiers(chromedp.ModifierCtrl)))
		p.notice("Taken back")
		key("m", kb.ArrowRight, kb.ArrowRight)
		p.tabTo("exact")
		key(" ")
		p.tabTo("board")
		key(kb.Enter)
		p.notice("Moved")
		if got := p.mark(at.ID); near(got, at, 0.5) {
			t.Errorf("two steps to the right left it at %.1f, %.1f", got.XMM, got.YMM)
		}
		p.Do(chromedp.KeyEvent("z", chromedp.KeyModifiers(chromedp.ModifierCtrl)))
		p.notice("Taken back")
		p.tabTo("cause")
		key("l", "o", "o", "s", "e", kb.Enter)
		p.notice("a flyer: loose")
		p.tabTo("board")
		key("v")
		p.Wait(`document.body.dataset.shown === '0/taken'`)
		key("1")
		p.Wait(`document.getElementById('scale').textContent === '1200%'`)
		key("0", "r", "a")
		p.Wait(`!document.getElementById('placing').hidden`)
		key(kb.Escape)
		p.Wait(`document.getElementById('placing').hidden`)
		key(kb.Escape)
		p.Wait(`document.querySelector('#marks [aria-pressed="true"]') === null`)
		p.tabTo("save")
		key(kb.Enter)
		p.notice("Saved to")
		p.Quiet()
	})

	made := desk.Summary().Decisions
	log, _, err := decisions.Read(dir)
	if err != nil || len(log.Problems) > 0 || len(decisions.Replay(log.Decisions).InForce) != len(made) || len(made) < 8 {
		t.Errorf("the record holds %d decisions in force, %v %q; the session %d", len(decisions.Replay(log.Decisions).InForce), err, log.Problems, len(made))
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// Without a command line: a photo is dropped on the empty page, the board is given,
// a slip is told, and the results appear; closing the tab writes them.
func TestReviewFromNothing(t *testing.T) {
	ctx := browsertest.Open(t)
	photo, err := filepath.Abs(filepath.Join("..", "..", "testdata", "demo", "demo-3.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	urls := make(chan string, 1)
	ended := make(chan error, 1)
	var out, errs bytes.Buffer
	go func() {
		ended <- reviewNew(context.Background(), console{Out: &out, Err: &errs}, func(url string) error { urls <- url; return nil })
	}()
	url := <-urls
	origin, _, _ := strings.Cut(url, "?")
	p := reviewPage{browsertest.Tab(ctx, t, browsertest.Desktop, origin, url, time.Minute), t, nil}
	p.Wait(`!document.getElementById('setup').hidden`)
	p.Accessible()
	p.Shot(*screenshots, "setup")
	p.Do(chromedp.SetUploadFiles("#files", []string{photo}))
	p.notice("demo-3.jpg is there")
	p.write("#rings", "800")
	p.click("#start")
	p.notice("unit")
	p.write("#rings", "200mm, 400mm, 600mm, 800mm")
	p.write("#sticker-size", "19mm")
	for colour, name := range map[string]string{"blue": "North", "orange": "Reed", "purple": "Slate"} {
		p.write(fmt.Sprintf(`#stickers input[aria-label*=%q]`, "with "+colour), name)
	}
	p.click("#start")
	p.Wait(`document.body.dataset.shown === '0/flat'`)
	p.Wait(`document.getElementById('answer').textContent.includes('North is clearly tighter than Slate')`)
	p.Quiet()
	p.Close()
	select {
	case err := <-ended:
		if err != nil {
			t.Fatalf("%v\n%s", err, errs.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("the server outlives its last tab")
	}
	dirs, err := filepath.Glob("dartfall-20*")
	if err != nil || len(dirs) != 1 {
		t.Fatalf("folders %v, %v", dirs, err)
	}
	for _, name := range []string{"demo-3.jpg", session.FileName, "results/summary.json", "results/report.html", "results/pictures/" + mainPicture} {
		if _, err := os.Stat(filepath.Join(dirs[0], filepath.FromSlash(name))); err != nil {
			t.Error(err)
		}
	}
}

// points squares the photo up from four places on its outermost ring, whose pixels
// are known from the rings that were found.
func (p reviewPage) points(t *testing.T) {
	t.Helper()
	photo := p.desk.Summary().Photos[0]
	rect, ok := photo.Plane.Rectification()
	if !ok {
		t.Fatal("no plane")
	}
	p.click("#view-taken")
	p.Wait(`document.body.dataset.shown === '0/taken'`)
	p.click("#zoom-fit")
	for i, at := range [][2]float64{{400, 0}, {0, 400}, {-400, 0}, {0, -400}} {
		p.click("#point")
		x, y := p.middle()
		size := browsertest.Eval[[]float64](p.Page, `(() => { const b = document.getElementById('board').getBoundingClientRect(); return [b.width, b.height]; })()`)
		scale := math.Min(size[0]/float64(photo.WidthPx), size[1]/float64(photo.HeightPx))
		px := rect.ToPhoto(r2.Vec{X: at[0], Y: at[1]})
		p.Do(chromedp.MouseClickXY(x+scale*(px.X-float64(photo.WidthPx-1)/2), y+scale*(px.Y-float64(photo.HeightPx-1)/2)))
		p.Wait(fmt.Sprintf(`document.querySelector('[data-key="right %d"]') !== null`, i))
		p.write(fmt.Sprintf(`[data-key="right %d"]`, i), fmt.Sprint(at[0]))
		p.write(fmt.Sprintf(`[data-key="up %d"]`, i), fmt.Sprint(at[1]))
	}
	p.click("#points-form button[type=submit]")
	p.notice("from 4 points set by hand")
	after := p.desk.Summary().Photos[0]
	if after.Plane == nil || after.Plane.Method != "points given by hand" || len(after.Marks) < 30 {
		t.Errorf("after points: %+v, %d marks", after.Plane, len(after.Marks))
	}
}

// speed takes the time from a press to the moved numbers. On a quiet machine it is
// below 100 ms; tests share theirs, so that the best of five must be below half a
// second.
func (p reviewPage) speed(id string) {
	p.t.Helper()
	p.pick(id)
	best := math.Inf(1)
	for range 5 {
		ms := browsertest.Eval[float64](p.Page, `new Promise(done => {
			const start = performance.now();
			const watch = new MutationObserver(() => { watch.disconnect(); done(performance.now() - start); });
			watch.observe(document.getElementById('groups'), { childList: true });
			(document.getElementById('do-sighter') ?? document.getElementById('do-count')).click();
		})`)
		best = min(best, ms)
		p.Wait(`document.getElementById('do-count') !== null || document.getElementById('do-sighter') !== null`)
	}
	p.t.Logf("the numbers moved after %.0f ms", best)
	if !(best < 500) {
		p.t.Errorf("the numbers took %.0f ms", best)
	}
}

// panning moves the picture for 60 frames: its marks are drawn anew twice at most, so
// that their number costs nothing.
func (p reviewPage) panning() {
	p.t.Helper()
	drawn := browsertest.Eval[[]float64](p.Page, `(async () => {
		const { Board } = await import('/board.js'), draw = Board.prototype.drawLayer, board = document.getElementById('board');
		let layers = 0, left = 0;
		Board.prototype.drawLayer = function (ratio) { layers++; return draw.call(this, ratio); };
		board.focus();
		for (; left < 60; left++) {
			board.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', shiftKey: true }));
			await new Promise(requestAnimationFrame);
		}
		Board.prototype.drawLayer = draw;
		return [layers, left];
	})()`)
	if drawn[0] > 2 || drawn[1] != 60 {
		p.t.Errorf("60 frames of panning drew the marks %v times", drawn[0])
	}
}

// tabTo presses Tab until the element of that id has the keyboard.
func (p reviewPage) tabTo(id string) {
	p.t.Helper()
	for range 250 {
		if browsertest.Eval[bool](p.Page, fmt.Sprintf(`document.activeElement?.id === %q`, id)) {
			return
		}
		p.Do(chromedp.KeyEvent(kb.Tab))
	}
	p.t.Fatalf("Tab never reaches %s", id)
}

// touch lays fingers on the screen and lifts them.
func (p reviewPage) touch(fingers ...[2]float64) {
	p.t.Helper()
	p.fingers(input.DispatchTouchEventTypeTouchStart, fingers...)
	p.fingers(input.DispatchTouchEventTypeTouchEnd)
}

func (p reviewPage) fingers(kind input.DispatchTouchEventType, at ...[2]float64) {
	p.t.Helper()
	points := []*input.TouchPoint{}
	for i, f := range at {
		id := float64(i)
		points = append(points, &input.TouchPoint{X: f[0], Y: f[1], ID: &id})
	}
	p.Do(browsertest.Touch(kind, points))
}

func (p reviewPage) tap(selector string) {
	p.t.Helper()
	at := browsertest.Eval[[]float64](p.Page, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: 'center'}); const b = e.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; })()`, selector))
	p.touch([2]float64{at[0], at[1]})
}

// pinch spreads two fingers about a place.
func (p reviewPage) pinch(x, y, from, to float64) {
	p.t.Helper()
	both := func(d float64) [][2]float64 { return [][2]float64{{x - d/2, y}, {x + d/2, y}} }
	p.fingers(input.DispatchTouchEventTypeTouchStart, both(from)...)
	for k := 1; k <= 8; k++ {
		p.fingers(input.DispatchTouchEventTypeTouchMove, both(from+(to-from)*float64(k)/8)...)
	}
	p.fingers(input.DispatchTouchEventTypeTouchEnd)
}
