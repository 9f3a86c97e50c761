package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// NewCommand writes a session file for a folder of photos.
func NewCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "new",
		Usage:     "write a session file from the photos in a folder",
		ArgsUsage: "FOLDER",
		Description: "Lists the photos in the order they were taken, or by name where one of them does not\n" +
			"say when that was, and writes FOLDER/session.toml with a remark beside every line. At\n" +
			"a terminal it asks what it cannot know; an empty answer leaves the line to be filled\n" +
			"in later. A file that exists is never touched.\n\n" +
			"   dartfall new saturday",
		Flags: []cli.Flag{&cli.BoolFlag{Name: "no-questions", Usage: "ask nothing, also at a terminal"}},
		Action: func(ctx *cli.Context) error {
			if ctx.NArg() != 1 {
				return withHint(usagef("new needs one folder"), "dartfall new FOLDER")
			}
			ask := isTerminal(c.In) && !ctx.Bool("no-questions")
			return runNew(c, ctx.Args().First(), ask)
		},
	}
}

func isTerminal(r io.Reader) bool {
	f, ok := r.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

func runNew(c console, dir string, ask bool) error {
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return withHint(fmt.Errorf("there is no folder %s", dir), "make it and put the session's photos into it")
	}
	if err != nil {
		return fmt.Errorf("cannot look at %s: %v", dir, err)
	}
	if !info.IsDir() {
		return withHint(fmt.Errorf("%s is a file, not a folder", dir), "give the folder that holds the session's photos")
	}
	file := filepath.Join(dir, session.FileName)
	if _, err := os.Lstat(file); !errors.Is(err, fs.ErrNotExist) {
		return withHint(fmt.Errorf("%s exists and is not touched", file), "edit it, or move it away first")
	}
	photos, err := batch.List(dir)
	if err != nil {
		return err
	}
	shots := make([]session.Shot, len(photos))
	var timeless []string
	for i, p := range photos {
		shots[i] = session.Shot{Photo: p.Name, Taken: p.Taken}
		if p.Taken.IsZero() {
			timeless = append(timeless, p.Name)
		}
	}
	if n := len(timeless); n > 0 && len(photos) > 1 {
		which := fmt.Sprintf("%d of %d photos", n, len(photos))
		if n < 4 && n < len(photos) {
			which = strings.Join(timeless, ", ")
		}
		fmt.Fprintf(c.Err, "There is no time from the camera in %s, so all are listed by name.\nPut the strings into the order shot.\n", which)
	}
	var s session.Session
	if len(photos) > 0 && !photos[0].Taken.IsZero() {
		s.Date = photos[0].Taken.Format("2006-01-02")
	}
	if ask {
		q := &asker{in: bufio.NewScanner(c.In), out: c.Err}
		q.session(&s, shots)
	}
	text := session.Format(s, shots)
	if _, err := session.Parse(file, text); err != nil {
		return fmt.Errorf("the answers do not fit together:\n%w", err)
	}
	if err := writeNew(file, text); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "%s written for %s.\n", file, plural(len(photos), "photo"))
	if todo := missing(s); len(todo) > 0 {
		fmt.Fprintf(c.Err, "To measure, it still needs %s.\n", strings.Join(todo, "; "))
	}
	fmt.Fprintf(c.Err, "Next: look through it with a text editor, fill in what is missing, then\n   dartfall measure %s\n", shellWord(dir))
	fmt.Fprintln(c.Err, "Foam darts can injure eyes: rated eye protection for everybody near; the field's marshals have the last word.")
	return nil
}

// missing names what measure cannot do without, or can compare nothing without.
func missing(s session.Session) (todo []string) {
	if len(s.Board.Rings) == 0 {
		todo = append(todo, "the rings' diameters (rings or ring under [board])")
	}
	if len(s.Accessories) == 0 {
		todo = append(todo, "what was compared ([[accessory]])")
	}
	if len(s.Strings) == 0 {
		todo = append(todo, "what each photo shows ([[string]])")
	}
	return todo
}

// writeNew creates file and fails when it exists, even if it appeared just now.
func writeNew(file string, text []byte) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("cannot write %s: %v", file, sheet.Cause(err))
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Close()); err != nil {
		os.Remove(file)
		return fmt.Errorf("cannot write %s: %v", file, sheet.Cause(err))
	}
	return nil
}

// asker asks on a terminal. When the input ends, every further answer is empty.
type asker struct {
	in  *bufio.Scanner
	out io.Writer
}

// ask repeats a question until check accepts the answer; an empty one is always
// accepted.
func (q *asker) ask(question string, check func(string) error) string {
	for {
		fmt.Fprintf(q.out, "%s ", question)
		if !q.in.Scan() {
			fmt.Fprintln(q.out)
			return ""
		}
		answer := strings.TrimSpace(q.in.Text())
		if answer == "" {
			return ""
		}
		err := check(answer)
		if err == nil {
			return answer
		}
		fmt.Fprintf(q.out, "   %v\n", err)
	}
}

func (q *asker) text(question string) string {
	return q.ask(question, func(string) error { return nil })
}

func (q *asker) length(question string) (l session.Length) {
	q.ask(question, func(s string) error {
		mm, tol, err := units.LengthTolerance(s)
		l = session.Length{Text: s, MM: mm, TolMM: tol}
		return err
	})
	if l.MM == 0 {
		return session.Length{}
	}
	return l
}

func (q *asker) word(question string, words ...string) (w string) {
	q.ask(question, func(s string) error {
		for _, known := range words {
			if strings.EqualFold(s, known) {
				w = known
				return nil
			}
		}
		return fmt.Errorf("one of: %s", strings.Join(words, ", "))
	})
	return w
}

func (q *asker) count(question string, most int) (n int) {
	q.ask(question, func(s string) error {
		v, err := strconv.Atoi(s)
		if err != nil || v < 0 || v > most {
			return fmt.Errorf("a whole number from 0 to %d", most)
		}
		n = v
		return nil
	})
	return n
}

func (q *asker) session(s *session.Session, shots []session.Shot) {
	fmt.Fprintf(q.out, "Found %s. Enter leaves a line to be filled in later.\n", plural(len(shots), "photo"))
	s.Title = q.text("Title of the session?")
	s.Distance = q.length("Distance from muzzle to board (such as 25m or 82 ft)?")
	if s.Distance.Given() {
		s.DistanceHow = q.word("How was it measured (tape, laser, paced)?", "tape", "laser", "paced")
	}
	q.ask("Diameters of the printed rings, outer edge (such as 200mm, 400mm, 800mm)?", func(a string) error {
		mm, tol, err := units.LengthsTolerance(a)
		s.Board.Rings = nil
		for i := range mm {
			s.Board.Rings = append(s.Board.Rings, session.Length{Text: strconv.FormatFloat(mm[i], 'g', -1, 64) + "mm", MM: mm[i], TolMM: tol[i]})
		}
		return err
	})
	s.Board.Across = q.length("Outermost ring by tape, left to right?")
	s.Board.Down = q.length("Outermost ring by tape, top to bottom?")
	q.ask("Size of what would still show an impact, face and backer together (such as 1180mm x 1180mm, or one diameter)?", func(a string) error {
		b, err := session.ParseBacker(a)
		if err == nil {
			s.Board.Backer = b
		}
		return err
	})
	s.Marks.StickerSize = q.length("Diameter of the stickers?")
	q.ask("Mass of a dart (such as 1.1g; weigh ten and divide)?", func(a string) error {
		g, err := units.Mass(a)
		if err == nil {
			s.Darts.MassG, s.Darts.MassText = g, a
		}
		return err
	})
	s.Velocity.Unit = q.word("Were velocities read, and in which unit (fps, m/s)?", "fps", "m/s")
	for {
		name := q.text(fmt.Sprintf("Accessory %d, its name (Enter when there are no more)?", len(s.Accessories)+1))
		if name == "" {
			break
		}
		if _, there := s.Accessory(name); there {
			fmt.Fprintln(q.out, "   that name is there already")
			continue
		}
		colour := q.word("   the colour of its stickers ("+strings.Join(session.Colours(), ", ")+")?", session.Colours()...)
		s.Accessories = append(s.Accessories, session.Accessory{Name: name, Sticker: colour})
	}
	rule := q.ask("How many of the widest shots does your rule leave out of every group (0 for none)?", func(a string) error {
		n, err := strconv.Atoi(a)
		if err != nil || n < 0 || n > 5 {
			return errors.New("a whole number from 0 to 5")
		}
		s.Outliers.Drop = n
		return nil
	})
	if rule != "" {
		s.Outliers.Rule = map[bool]string{true: "drop", false: "none"}[s.Outliers.Drop > 0]
		s.Outliers.Decided = q.word("When was that decided (before shooting, before photos, after photos)?", "before shooting", "before photos", "after photos")
	}
	q.strings(s, shots)
}

// strings asks what each photo shows, in the order taken.
func (q *asker) strings(s *session.Session, shots []session.Shot) {
	if len(s.Accessories) == 0 {
		return
	}
	names := make([]string, len(s.Accessories))
	for i, a := range s.Accessories {
		names[i] = a.Name
	}
	words := append(slices.Clone(names), "start", "all")
	for _, p := range shots {
		when := ""
		if !p.Taken.IsZero() {
			when = ", taken " + p.Taken.Format("15:04:05")
		}
		fmt.Fprintf(q.out, "%s%s\n", p.Photo, when)
		answer := q.word("   which accessory was shot just before it ("+strings.Join(names, ", ")+"; start: before the first shot; all: every accessory is on it)?", words...)
		switch {
		case answer == "":
		case slices.Contains(names, answer):
			q.run(s, answer, p.Photo)
		case answer == "start":
			s.Board.Start = p.Photo
		default:
			for _, n := range names {
				q.run(s, n, p.Photo)
			}
		}
	}
}

func (q *asker) run(s *session.Session, accessory, photo string) {
	t := session.String{Accessory: accessory, Photo: photo}
	t.Shots = q.count("   shots fired with "+accessory+"?", 10000)
	if t.Shots > 0 {
		t.Misses = q.count("   of these, shots that left no mark on the board?", t.Shots)
	}
	if s.Velocity.Unit != "" {
		q.ask("   their chronograph readings (such as 203.1, 201.4)?", func(a string) error {
			t.Readings = nil
			unit := scoring.SpeedUnit(s.Velocity.Unit)
			all := scoring.ParseReadings(a, unit)
			notes := all.Notes
			for _, list := range all.Strings {
				notes = append(notes, list.Notes...)
				for _, r := range list.Readings {
					t.Readings = append(t.Readings, r.Meant()...)
					if r.Slip != "" && !r.Corrected {
						notes = append(notes, fmt.Sprintf("%q is suspect: %s; %s", r.Text, r.Slip, meantText(r, unit)))
					}
				}
			}
			for _, note := range notes {
				fmt.Fprintf(q.out, "   %s\n", note)
			}
			if len(t.Readings) == 0 {
				return errors.New("no number was found in this that is beyond doubt")
			}
			return nil
		})
	}
	s.Strings = append(s.Strings, t)
}

// meantText says what of a suspect reading goes into the session file.
func meantText(r scoring.Reading, unit scoring.SpeedUnit) string {
	switch {
	case len(r.Meant()) == 0:
		return "left out of " + session.FileName + ": look at it"
	case len(r.Likely) == 0:
		return "written as it is: look at it"
	}
	return "written as " + speedsText(r.Likely, unit)
}
