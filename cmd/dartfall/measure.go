package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"dartfall/calib"
	"dartfall/cmd/dartfall/internal/batch"
	"dartfall/cmd/dartfall/internal/decisions"
	"dartfall/cmd/dartfall/internal/lens"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
	"dartfall/vision"
)

const measureHelp = `Finds the rings and the stickers on each photo and gives every impact in
millimetres, each colour's spread with and without outliers, and two pictures a
photo: the fit drawn on the photo, and the board squared up.

One photo:

   dartfall measure --ring 800mm --stickers red,blue --distance 25m board.jpg

A folder with a session.toml (dartfall new FOLDER writes one):

   dartfall measure FOLDER

Name the rings you know with --rings: the more there are, the surer the result.
Diameters are those of a printed line's outer edge unless --ring-edge says
otherwise; measure them with a tape, prints shrink.

Writes impacts.csv, summary.json and the pictures into --out (default: results
beside the photos). Files that you made are never touched.`

// MeasureCommand measures photos.
func MeasureCommand(c console) *cli.Command {
	return &cli.Command{
		Name:        "measure",
		Usage:       "photos of the board in, impacts in millimetres out",
		ArgsUsage:   "PHOTO... | FOLDER",
		Description: measureHelp,
		Flags: append(boardFlags(),
			&cli.StringFlag{Name: "shard", Usage: "measure part i of n of the photos, such as 3/8; run all parts, then once without"},
		),
		Action: func(ctx *cli.Context) error {
			job, err := measureJob(ctx)
			if err != nil {
				return err
			}
			return runMeasure(ctx.Context, c, job)
		},
	}
}

// boardFlags say what is known of board, marks and run; measure and review share
// them.
func boardFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "ring", Usage: "diameter of the outermost ring, such as 800mm, 80cm, 31.5in or 800±1mm"},
		&cli.StringFlag{Name: "rings", Usage: "diameters of all rings, such as 200mm,400mm,600mm,800mm"},
		&cli.StringFlag{Name: "ring-edge", Value: "outer", Usage: "which edge of a line the diameters mean: outer, middle or inner"},
		&cli.StringFlag{Name: "stickers", Usage: "colours to look for, such as red,blue; without it they are found and named"},
		&cli.StringFlag{Name: "sticker-size", Usage: "diameter of the stickers, such as 19mm; without it it is learnt"},
		&cli.StringFlag{Name: "shots", Usage: "shots fired with each colour, as `15` or red=15,blue=14: evidence for doubtful stickers, and what is not found counts as a miss"},
		&cli.BoolFlag{Name: "marks", Usage: "find bare marks (holes, dents, smudges, chalk) instead of stickers"},
		&cli.StringFlag{Name: "points", Usage: "points of known place instead of rings, as pixel=millimetre pairs: 812,640=-300,300;… (four or more; x right, y up from the ring centre)"},
		&cli.StringFlag{Name: "up", Usage: "where up comes from: mark (the printed triangle) or photo (held level); without it the mark, where one is clearly seen"},
		&cli.StringFlag{Name: "clean", Usage: "`PHOTO` of the same board before anything struck it: what it shows is no mark"},
		&cli.StringFlag{Name: "lens", Usage: "lens profile `FILE` that dartfall lens made; used for photos of that camera and size alone"},
		&cli.StringFlag{Name: "board", Usage: "which board is meant where a photo shows two: left, right, top or bottom"},
		&cli.StringFlag{Name: "distance", Usage: "from muzzle to board, such as 25m or 100ft; gives angles too"},
		&cli.IntFlag{Name: "drop", Value: 2, Usage: "shots per colour whose removal shrinks the extreme spread most, for the figures without outliers: 0 to 5"},
		&cli.StringFlag{Name: "out", Usage: "folder for the results"},
		&cli.IntFlag{Name: "workers", Usage: "photos measured at once; 0 means one per core"},
	}
}

// job is one checked call of measure.
type job struct {
	photos   []batch.Photo
	alike    map[string]bool  // names without their ending, in small letters, that two photos share
	dir      string           // that holds the photos
	session  *session.Session // nil without a session file
	decided  decisions.State  // what was decided by hand
	unread   []string         // lines of the decisions that cannot be read
	files    []sheet.File     // session.toml by content
	record   *sheet.File      // the decisions by content; nil without any
	out      string
	opts     vision.Options
	edgeName string
	up       string // mark, photo or ""
	lens     *lens.Profile
	lensName string
	clean    string      // name of the clean board's photo, or ""
	givenMM  []float64   // ring diameters that the user gave
	shots    []shotCount // declared without a session
	drop     int         // for the drop rule; 0 with another
	chance   float64     // for the robust test; 0 with another
	distance session.Length
	workers  int
	shard    batch.Shard
	keep     bool              // a store for one photo too
	progress func(batch.Event) // nil: on the console
	settings []sheet.Setting
}

func measureJob(ctx *cli.Context) (job, error) {
	j := job{drop: ctx.Int("drop"), workers: ctx.Int("workers"), out: ctx.String("out")}
	if ctx.NArg() == 0 {
		return j, withHint(usagef("no photo given"), "dartfall measure --ring 800mm board.jpg")
	}
	if j.drop < 0 || j.drop > 5 {
		return j, usagef("--drop is a number of shots from 0 to 5, not %d", j.drop)
	}
	if err := j.findPhotos(ctx.Args().Slice()); err != nil {
		return j, err
	}
	j.findAlike()
	if err := j.readDecisions(); err != nil {
		return j, err
	}
	if s := ctx.String("shard"); s != "" {
		var err error
		if j.shard, err = batch.ParseShard(s); err != nil {
			return j, usageError{err}
		}
		j.photos = j.shard.Of(j.photos)
	}
	if err := j.readBoard(ctx); err != nil {
		return j, err
	}
	if err := j.readMarks(ctx); err != nil {
		return j, err
	}
	if err := j.readShots(ctx.String("shots")); err != nil {
		return j, err
	}
	if err := j.readLens(ctx.String("lens")); err != nil {
		return j, err
	}
	if err := j.readClean(ctx.String("clean")); err != nil {
		return j, err
	}
	j.note("rings", lengthList(j.givenMM))
	j.note("ring edge", j.edgeName)
	j.note("ring tolerance mm", fmt.Sprint(j.opts.Rings.TolMM))
	j.note("stickers", strings.Join(j.opts.Marks.Colours, ","))
	j.note("sticker size mm", fmt.Sprint(j.opts.Marks.SizeMM))
	j.note("bare marks", fmt.Sprint(j.opts.Marks.Bare))
	j.note("points", ctx.String("points"))
	j.note("up", j.up)
	j.note("board", string(j.opts.Board))
	return j, nil
}

func (j *job) note(name, value string) {
	j.settings = append(j.settings, sheet.Setting{Name: name, Value: value})
}

// findPhotos takes photos, or one folder with or without a session file, or that file.
func (j *job) findPhotos(args []string) error {
	if len(args) == 1 && filepath.Base(args[0]) == session.FileName {
		args = []string{filepath.Dir(args[0])}
	}
	info, err := os.Stat(args[0])
	if err == nil && info.IsDir() {
		if len(args) > 1 {
			return withHint(usagef("one folder at a time"), "or name photos instead of folders")
		}
		if j.photos, err = batch.List(args[0]); err != nil {
			return err
		}
		if len(j.photos) == 0 {
			return withHint(usagef("there is no photo in %s", args[0]), "JPEG, PNG, WebP, TIFF and HEIC files are read")
		}
		j.dir = args[0]
		if err := j.readSession(args[0]); err != nil {
			return err
		}
		if j.out == "" {
			j.out = filepath.Join(args[0], "results")
		}
		return nil
	}
	seen := map[string]string{}
	missing := 0
	for _, a := range args {
		if _, err := os.Stat(a); errors.Is(err, fs.ErrNotExist) {
			missing++
		}
		name := filepath.Base(a)
		if other, ok := seen[name]; ok {
			return withHint(usagef("two photos are called %s: %s and %s", name, other, a), "their results would mix: rename one")
		}
		seen[name] = a
		j.photos = append(j.photos, batch.Photo{Name: name, Path: a})
	}
	if missing == len(args) {
		return withHint(fmt.Errorf("there is no photo or folder called %s", strings.Join(args, ", ")), "check the spelling, and the folder you are in")
	}
	j.dir = filepath.Dir(args[0])
	if j.out == "" {
		j.out = filepath.Join(j.dir, "results")
	}
	return nil
}

// findAlike notes which photos differ by their endings alone.
func (j *job) findAlike() {
	j.alike = map[string]bool{}
	seen := map[string]bool{}
	for _, p := range j.photos {
		s := strings.ToLower(withoutExt(p.Name))
		j.alike[s] = seen[s]
		seen[s] = true
	}
}

// stem is what the pictures of a photo are named after: its name, without the ending
// where no other photo would be called the same.
func (j job) stem(name string) string {
	if s := withoutExt(name); !j.alike[strings.ToLower(s)] {
		return s
	}
	return name
}

func withoutExt(name string) string { return strings.TrimSuffix(name, filepath.Ext(name)) }

// readSession reads the folder's session file when there is one.
func (j *job) readSession(dir string) error {
	file := filepath.Join(dir, session.FileName)
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("cannot read %s: %v", file, err)
	}
	s, err := session.Parse(file, b)
	if err != nil {
		return withHint(fmt.Errorf("the session file has mistakes:\n%w", err), "correct the lines shown and run the same command again")
	}
	if err := photosNamed(s, file, j.photos); err != nil {
		return err
	}
	j.session = &s
	j.files = append(j.files, sheet.File{Name: session.FileName, SHA256: hexSHA256(b)})
	return nil
}

// photosNamed wants every photo that the session names to be in the folder.
func photosNamed(s session.Session, file string, photos []batch.Photo) error {
	there := make([]string, len(photos))
	for i, p := range photos {
		there[i] = p.Name
	}
	named := []string{}
	for _, name := range []string{s.Board.Clean, s.Board.Start} {
		if name != "" {
			named = append(named, name)
		}
	}
	for _, t := range s.Strings {
		named = append(named, t.Photo)
	}
	for _, name := range named {
		if !slices.Contains(there, name) {
			return withHint(fmt.Errorf("%s names the photo %s, which is not in the folder", file, name), "the photos there are %s", strings.Join(there, ", "))
		}
	}
	return nil
}

// Two diameters of the outermost ring are the same when they differ by rounding or
// by a change of units, and contradict each other up to what two rings lie apart.
const (
	sameRing  = 1e-3
	otherRing = 1e-2
)

// withOutermost returns the diameters of --rings, ascending, with that of --ring as the
// last; ringMM 0 means that there is none.
func withOutermost(listMM []float64, ringMM float64) ([]float64, error) {
	listMM = slices.Sorted(slices.Values(listMM))
	n := len(listMM)
	if ringMM == 0 {
		return listMM, nil
	}
	if n == 0 || ringMM > (1+otherRing)*listMM[n-1] {
		return append(listMM, ringMM), nil
	}
	largest := listMM[n-1]
	if !(math.Abs(ringMM-largest) <= sameRing*largest) {
		return nil, withHint(usagef("--ring is %.5g mm but the largest of --rings is %.5g mm", ringMM, largest), "--ring is the outermost ring: give it once, as you measured it")
	}
	listMM[n-1] = ringMM
	return listMM, nil
}

func (j *job) readBoard(ctx *cli.Context) error {
	rings := &j.opts.Rings
	if s := j.session; s != nil {
		for _, r := range s.Board.Rings {
			j.givenMM = append(j.givenMM, r.MM)
		}
		rings.OuterMM, rings.TolMM = s.Board.Ring.MM, s.Board.Ring.TolMM
		j.edgeName, j.up, j.opts.Board = s.Board.RingEdge, s.Board.Up, vision.Side(s.Board.Side)
		j.distance = s.Distance
		if t := s.Board.TapeMM(); t > 0 && rings.OuterMM > 0 {
			// The tape outranks the nominal print: all rings shrink alike.
			for i := range j.givenMM {
				j.givenMM[i] *= t / rings.OuterMM
			}
			rings.OuterMM = t
		}
	}
	if v := ctx.String("rings"); v != "" {
		list, err := units.Lengths(v)
		if err != nil {
			return withHint(usagef("--rings: %w", err), "each diameter needs its unit: --rings 200mm,400mm,600mm,800mm")
		}
		j.givenMM = list
	}
	if v := ctx.String("ring"); v != "" {
		mm, tol, err := units.LengthTolerance(v)
		if err != nil {
			return withHint(usagef("--ring: %w", err), "a diameter with its unit, such as --ring 800mm")
		}
		rings.OuterMM, rings.TolMM = mm, tol
	}
	var err error
	if j.givenMM, err = withOutermost(j.givenMM, rings.OuterMM); err != nil {
		return err
	}
	if n := len(j.givenMM); n > 0 {
		rings.OuterMM = j.givenMM[n-1]
	}
	if v := ctx.String("points"); v != "" {
		ties, err := parsePoints(v)
		if err != nil {
			return usageError{err}
		}
		j.opts.Points = ties
	}
	if rings.OuterMM == 0 && len(j.opts.Points) == 0 {
		hint := "give the outermost ring's diameter as you measured it: --ring 800mm"
		if j.session != nil {
			hint = fmt.Sprintf("fill in rings or ring under [board] in %s", filepath.Join(j.dir, session.FileName))
		}
		return withHint(usagef("the size of the rings is not known"), "%s", hint)
	}
	if rings.OuterMM != 0 && !(rings.OuterMM >= 20 && rings.OuterMM <= 5000) {
		return withHint(usagef("a ring of %s is not a board dartfall knows", units.Size(rings.OuterMM)), "diameters from 20 mm to 5 m")
	}
	rings.ListMM = j.givenMM
	if j.edgeName == "" || ctx.IsSet("ring-edge") {
		j.edgeName = ctx.String("ring-edge")
	}
	switch j.edgeName {
	case "outer":
	case "middle":
		rings.Edge = vision.RingMiddle
	case "inner":
		rings.Edge = vision.RingInner
	default:
		return usagef("--ring-edge is outer, middle or inner, not %q", j.edgeName)
	}
	if v := ctx.String("board"); v != "" {
		if !slices.Contains(vision.Sides(), vision.Side(v)) {
			return usagef("--board is left, right, top or bottom, not %q", v)
		}
		j.opts.Board = vision.Side(v)
	}
	if v := ctx.String("up"); v != "" {
		j.up = v
	}
	switch j.up {
	case "", "mark":
	case "photo":
		j.opts.PhotoUp = true
	default:
		return usagef("--up is mark or photo, not %q", j.up)
	}
	if v := ctx.String("distance"); v != "" {
		mm, tol, err := units.LengthTolerance(v)
		if err != nil {
			return usagef("--distance: %w", err)
		}
		j.distance = session.Length{Text: v, MM: mm, TolMM: tol}
	}
	j.distance.Text = units.Spaced(j.distance.Text)
	return nil
}

func (j *job) readMarks(ctx *cli.Context) error {
	m := &j.opts.Marks
	if s := j.session; s != nil {
		m.Bare = s.Marks.Kind == "bare"
		m.SizeMM = s.Marks.StickerSize.MM
		for _, a := range s.Accessories {
			if a.Sticker != "" && !slices.Contains(m.Colours, a.Sticker) {
				m.Colours = append(m.Colours, a.Sticker)
			}
		}
		if !ctx.IsSet("drop") && s.Outliers.Rule != "" {
			j.drop, j.chance = s.Outliers.Drop, 0
			if s.Outliers.Rule == "test" {
				j.chance = s.Outliers.Chance
			}
		}
	}
	if v := ctx.String("stickers"); v != "" {
		m.Colours = nil
		for _, c := range strings.Split(v, ",") {
			c = strings.ToLower(strings.TrimSpace(c))
			if !slices.Contains(session.Colours(), c) {
				return withHint(usagef("--stickers: there is no sticker colour %q", c), "the colours told apart are %s", strings.Join(session.Colours(), ", "))
			}
			m.Colours = append(m.Colours, c)
		}
	}
	if v := ctx.String("sticker-size"); v != "" {
		mm, err := units.Length(v)
		if err != nil {
			return usagef("--sticker-size: %w", err)
		}
		if !(mm >= 4 && mm <= 60) {
			return usagef("--sticker-size %s is not a sticker: 4 to 60 mm", units.Size(mm))
		}
		m.SizeMM = mm
	}
	if ctx.Bool("marks") {
		if ctx.IsSet("stickers") || ctx.IsSet("sticker-size") {
			return usagef("--marks looks for bare marks: it does not go with --stickers or --sticker-size")
		}
		m.Bare, m.Colours, m.SizeMM = true, nil, 0
	}
	return nil
}

func lengthList(mm []float64) string {
	s := make([]string, len(mm))
	for i, v := range mm {
		s[i] = units.Exact(v)
	}
	return strings.Join(s, ",")
}

// parsePoints reads "u,v=x,y;u,v=x,y": photo pixels and board millimetres.
func parsePoints(s string) ([]calib.Tie, error) {
	var out []calib.Tie
	for _, item := range strings.Split(s, ";") {
		t := calib.Tie{SigmaPx: 1}
		px, mm, _ := strings.Cut(item, "=")
		if !pairOf(px, &t.At.X, &t.At.Y) || !pairOf(mm, &t.Board.X, &t.Board.Y) {
			return nil, fmt.Errorf("--points: %q is not pixel=millimetre as in 812,640=-300,300, numbers alone, with a semicolon between points", strings.TrimSpace(item))
		}
		out = append(out, t)
	}
	if len(out) < 4 {
		return nil, fmt.Errorf("--points: four points or more fix a plane, there are %d", len(out))
	}
	return out, nil
}

// pairOf reads "812,640"; false for anything else.
func pairOf(s string, a, b *float64) bool {
	left, right, _ := strings.Cut(s, ",")
	var errA, errB error
	*a, errA = strconv.ParseFloat(strings.TrimSpace(left), 64)
	*b, errB = strconv.ParseFloat(strings.TrimSpace(right), 64)
	return errA == nil && errB == nil && !math.IsNaN(*a-*b) && !math.IsInf(*a-*b, 0)
}

// lettering is what stands on the two pictures of a photo beside its own content: a
// stored result with other words is made again.
func (j job) lettering() string {
	words := []string{j.distance.Text}
	if j.session != nil {
		for _, a := range j.session.Accessories {
			words = append(words, a.Name, a.Sticker)
		}
	}
	return fmt.Sprintf("%q", words)
}

// storeDir holds the finished photos inside the results.
const storeDir = "store"

// runMeasure measures the photos, writes the results and prints the table.
func runMeasure(ctx context.Context, c console, j job) error {
	if err := prepareResults(j.out); err != nil {
		return err
	}
	vision.SaveMemory()
	m := newMeasurer(j)
	photos, err := m.all(ctx, c)
	if err != nil {
		return err
	}
	if !j.shard.Whole() {
		if batch.Closing(c.Err, photos) {
			return errPartial
		}
		return nil
	}
	sum, err := assemble(j, photos)
	if err != nil {
		return err
	}
	if len(measuredPhotos(sum)) == 0 && len(j.earlier()) > 0 {
		printSummary(c.Out, sum)
		fmt.Fprintf(c.Err, "The results of an earlier run in %s are kept as they were.\n", j.out)
		batch.Closing(c.Err, photos)
		return errPartial
	}
	gone := slices.DeleteFunc(j.earlier(), func(name string) bool { return slices.Contains(measuredPhotos(sum), name) })
	outdated, err := m.write(&sum)
	if err != nil {
		return err
	}
	printSummary(c.Out, sum)
	if len(gone) > 0 {
		fmt.Fprintf(c.Err, "The earlier results there had figures of %s, too: not measured now, so not in these.\n", strings.Join(gone, ", "))
	}
	sayKept(c.Err, j.out)
	fmt.Fprintf(c.Err, "Results in %s: report.html, impacts.csv, summary.json and the pictures.\n", j.out)
	if outdated > 0 {
		fmt.Fprintf(c.Err, "%s that publish drew from other figures removed: publish again.\n", plural(outdated, "file"))
	}
	if batch.Closing(c.Err, photos) || toDecide(sum) || len(j.unread) > 0 || sum.Answer == noMark {
		return errPartial
	}
	return nil
}

// measuredPhotos names the photos that were measured.
func measuredPhotos(s sheet.Summary) (names []string) {
	for _, p := range s.Photos {
		if p.Plane != nil {
			names = append(names, p.Name)
		}
	}
	return names
}

// earlier names the photos that the results of an earlier run have measured.
func (j job) earlier() []string {
	data, err := os.ReadFile(filepath.Join(j.out, "summary.json"))
	if err != nil {
		return nil
	}
	s, err := sheet.Decode(data)
	if err != nil { // of another version: it is made anew
		return nil
	}
	return measuredPhotos(s)
}

// all measures every photo of the job, or takes it from the store of an earlier run.
func (m measurer) all(ctx context.Context, c console) ([]sheet.Photo, error) {
	j := m.job
	opts := batch.Options{Workers: j.workers, Version: build(), Settings: fmt.Sprint(j.settings) + j.lettering(), SettingsOf: j.ownSettings}
	if j.session != nil || len(j.photos) > 1 || !j.shard.Whole() || j.keep {
		opts.Store = filepath.Join(j.out, storeDir)
		opts.Valid = m.hasItsPictures
	}
	done := func() {}
	if j.progress != nil {
		opts.Progress = j.progress
	} else if len(j.photos) > 1 {
		if f, ok := c.Err.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
			opts.Progress, done = batch.Bar(c.Err, len(j.photos))
		} else {
			opts.Progress = batch.Lines(c.Err)
		}
	}
	photos, err := batch.Run(ctx, j.photos, m.measure, opts)
	done()
	if errors.Is(err, context.Canceled) {
		return nil, withHint(errors.New("stopped before the end"), "run the same command again: what is done is kept")
	}
	return photos, err
}

// write writes all results of a session, and removes and counts what an earlier publish
// drew from other figures; edited texts are kept.
func (m measurer) write(sum *sheet.Summary) (outdated int, err error) {
	out := m.job.out
	if err := m.redraw(sum.Photos, sum.Decisions); err != nil {
		return 0, err
	}
	if err := sheet.WriteResults(out, *sum); err != nil {
		return 0, err
	}
	dir := filepath.Join(out, picturesDir)
	if len(sum.Groups) > 0 && sum.OneBoard() && (m.job.session != nil || len(published(dir)) > 0) {
		_, outdated, err = publish(out, *sum, stills)
	} else {
		outdated, err = replace(dir, nil)
	}
	if err != nil {
		return 0, err
	}
	_, _, err = writeReport(out, *sum)
	return outdated, err
}
