package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"image/png"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/picture"
	"dartfall/cmd/dartfall/internal/review"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
)

const reviewHelp = `Measures the folder as measure does, then opens a page in your browser on which you
look at every board, fix what is doubtful and see the numbers change:

   dartfall review FOLDER

What you decide is kept in FOLDER/decisions.jsonl at once, and every later run of
measure honours it. Without a session.toml give the board as for measure.

   dartfall review

alone opens a page on which you drop photos and say what the board is; photos and
results go into a new folder here.

The page is served to this computer only. It ends when its last tab is closed, or
with Ctrl-C; the results are then written.`

// ReviewCommand opens the page on which a session is looked at and fixed.
func ReviewCommand(c console) *cli.Command {
	return &cli.Command{
		Name:        "review",
		Usage:       "look at the boards in the browser, fix what is doubtful, see the numbers move",
		ArgsUsage:   "[FOLDER]",
		Description: reviewHelp,
		Flags: append(boardFlags(),
			&cli.BoolFlag{Name: "no-browser", Usage: "print the page's address and open nothing"},
		),
		Action: func(ctx *cli.Context) error {
			open := openBrowser
			if ctx.Bool("no-browser") || !isTerminal(c.In) {
				open = func(string) error { return nil }
			}
			if ctx.NArg() == 0 {
				return reviewNew(ctx.Context, c, open)
			}
			j, err := measureJob(ctx)
			if err != nil {
				return err
			}
			return reviewJob(ctx.Context, c, j, open)
		},
	}
}

// reviewJob measures a session, serves its page and writes the results at the end.
func reviewJob(ctx context.Context, c console, j job, open func(url string) error) error {
	if err := prepareResults(j.out); err != nil {
		return err
	}
	if err := probe(j.dir); err != nil {
		return withHint(fmt.Errorf("cannot write into %s: %v", j.dir, sheet.Cause(err)), "decisions are kept beside the photos: copy the folder to where you may write")
	}
	desk, err := layOut(ctx, c, &j)
	if err != nil {
		return err
	}
	s, err := review.Listen(desk, nil)
	if err != nil {
		return err
	}
	if err := serve(ctx, c, s, open); err != nil {
		return err
	}
	return finish(c, j)
}

// layOut measures the photos of a job and lays them on a desk.
func layOut(ctx context.Context, c console, j *job) (*review.Desk, error) {
	j.keep = true
	photos, err := newMeasurer(*j).all(ctx, c)
	if err != nil {
		return nil, err
	}
	return review.NewDesk(newDarkroom(*j).tools(), photos)
}

// serve prints the page's address, opens it, and waits for its end.
func serve(ctx context.Context, c console, s *review.Server, open func(url string) error) error {
	fmt.Fprintf(c.Out, "The page is at\n   %s\n", s.URL())
	fmt.Fprintln(c.Err, "It ends when its last tab is closed, or with Ctrl-C. Foam darts can injure eyes: rated eye\nprotection for everybody near; the field's marshals have the last word.")
	if err := open(s.URL()); err != nil {
		fmt.Fprintf(c.Err, "The browser could not be opened (%v): open the address yourself.\n", err)
	}
	return s.Serve(ctx)
}

// finish writes the results of a session as it was left. It does so after Ctrl-C
// too: what was decided should show in them.
func finish(c console, j job) error {
	if err := j.readDecisions(); err != nil {
		return err
	}
	j.progress = func(batch.Event) {}
	return runMeasure(context.Background(), c, j)
}

// openBrowser opens a page in the user's own browser.
func openBrowser(url string) error {
	switch runtime.GOOS {
	case "darwin":
		return exec.Command("open", url).Run()
	case "windows":
		return exec.Command("rundll32", "url.dll,FileProtocolHandler", url).Run()
	}
	return exec.Command("xdg-open", url).Run()
}

// reviewNew serves a page on which photos are dropped.
func reviewNew(ctx context.Context, c console, open func(url string) error) error {
	if err := probe("."); err != nil {
		return withHint(fmt.Errorf("cannot make a folder for the photos here: %v", sheet.Cause(err)), "go to a folder you may write to first")
	}
	var j job // of the photos, once they were dropped
	setup := &review.Setup{New: newFolder, Colours: session.Colours()}
	setup.Measure = func(ctx context.Context, dir string, g review.Given, progress func(done int)) (*review.Desk, error) {
		var err error
		if j, err = givenJob(dir, g); err != nil {
			return nil, err
		}
		j.progress = func(e batch.Event) { progress(e.Done) }
		return layOut(ctx, c, &j)
	}
	s, err := review.Listen(nil, setup)
	if err != nil {
		return err
	}
	if err := serve(ctx, c, s, open); err != nil {
		return err
	}
	if s.Desk() == nil {
		fmt.Fprintln(c.Err, "No photo was measured.")
		return nil
	}
	return finish(c, j)
}

// newFolder makes a folder of today's date that did not exist.
func newFolder() (string, error) {
	base := "dartfall-" + time.Now().Format("2006-01-02")
	for i := 1; i < 1000; i++ {
		dir := base
		if i > 1 {
			dir = fmt.Sprintf("%s-%d", base, i)
		}
		err := os.Mkdir(dir, 0o755)
		if err == nil {
			return dir, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return "", fmt.Errorf("cannot make a folder for the photos: %v", err)
		}
	}
	return "", fmt.Errorf("there are a thousand folders called %s already", base)
}

// givenJob writes the session file of photos that were dropped on the page and
// reads it back as measure would.
func givenJob(dir string, g review.Given) (job, error) {
	photos, err := batch.List(dir)
	if err != nil {
		return job{}, err
	}
	shots := make([]session.Shot, len(photos))
	for i, p := range photos {
		shots[i] = session.Shot{Photo: p.Name, Taken: p.Taken}
	}
	s, err := givenSession(g, shots)
	if err != nil {
		return job{}, err
	}
	file := filepath.Join(dir, session.FileName)
	text := session.Format(s, shots)
	if _, err := session.Parse(file, text); err != nil {
		return job{}, fmt.Errorf("what you gave does not fit together:\n%w", err)
	}
	if err := sheet.WriteFile(file, text); err != nil { // the folder is this run's own
		return job{}, err
	}
	return jobIn(dir)
}

// jobIn is the job of measuring a folder whose session file says all there is to say.
func jobIn(dir string) (job, error) {
	set := flag.NewFlagSet("review", flag.ContinueOnError)
	for _, f := range boardFlags() {
		if err := f.Apply(set); err != nil {
			return job{}, err
		}
	}
	if err := set.Parse([]string{dir}); err != nil {
		return job{}, err
	}
	return measureJob(cli.NewContext(nil, set, nil))
}

// givenSession is a session file's content from what was typed on the page. One
// photo shows all accessories; of several it is not known what each shows.
func givenSession(g review.Given, shots []session.Shot) (s session.Session, err error) {
	s.Title = strings.TrimSpace(g.Title)
	mm, tol, err := units.LengthsTolerance(g.Rings)
	if err != nil {
		return s, fmt.Errorf("rings: %v", err)
	}
	for i := range mm {
		s.Board.Rings = append(s.Board.Rings, session.Length{Text: units.Exact(mm[i]), MM: mm[i], TolMM: tol[i]})
	}
	if s.Marks.StickerSize, err = givenLength("sticker size", g.StickerSize); err != nil {
		return s, err
	}
	if s.Distance, err = givenLength("distance", g.Distance); err != nil {
		return s, err
	}
	if g.Bare {
		s.Marks.Kind = "bare"
	}
	for _, k := range g.Stickers {
		a := session.Accessory{Name: strings.TrimSpace(k.Accessory), Sticker: k.Colour}
		if a.Name == "" {
			a.Name = k.Colour
		}
		s.Accessories = append(s.Accessories, a)
		if len(shots) == 1 {
			s.Strings = append(s.Strings, session.String{Accessory: a.Name, Photo: shots[0].Photo, Shots: k.Shots})
		}
	}
	return s, nil
}

func givenLength(what, text string) (session.Length, error) {
	if text = strings.TrimSpace(text); text == "" {
		return session.Length{}, nil
	}
	mm, tol, err := units.LengthTolerance(text)
	if err != nil {
		return session.Length{}, fmt.Errorf("%s: %v", what, err)
	}
	return session.Length{Text: text, MM: mm, TolMM: tol}, nil
}

// pictureKey names a picture to publish, as in its file.
func pictureKey(size, geometry string) string { return size + "-" + geometry }

// choices lists the pictures that can be published.
func choices() (list []review.Choice) {
	for _, size := range sizes {
		b := picture.Compose(picture.Scene{}, size.format, picture.AsShot).Picture().Image.Bounds()
		for _, g := range geometries {
			list = append(list, review.Choice{
				Key: pictureKey(size.name, g.name), Title: fmt.Sprintf("%s, %d × %d, %s", size.name, b.Dx(), b.Dy(), strings.ReplaceAll(g.name, "-", " ")),
			})
		}
	}
	return list
}

// publicPicture draws the picture of that key.
func publicPicture(s sheet.Summary, key string) ([]byte, error) {
	for _, size := range sizes {
		for _, g := range geometries {
			if pictureKey(size.name, g.name) != key {
				continue
			}
			var b bytes.Buffer
			if err := png.Encode(&b, picture.Compose(scene(s), size.format, g.geometry).Picture().Image); err != nil {
				return nil, fmt.Errorf("cannot encode %s: %v", key, err)
			}
			return b.Bytes(), nil
		}
	}
	return nil, fmt.Errorf("there is no picture %q", key)
}
