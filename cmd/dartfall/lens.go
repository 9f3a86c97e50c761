package main

import (
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"dartfall/calib"
	"dartfall/calib/photo"
	"dartfall/cmd/dartfall/internal/lens"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
	"dartfall/vision"
)

const lensHelp = `Measures how the lens of your phone or camera bends straight lines, once, so that
dartfall measure --lens FILE can take it into account. It helps most where a board
shows few rings or lies near the edge of the photo; with three rings or more the
board's own photo shows the lens well enough.

From ten or more photos of a chessboard print, flat, from different sides, filling
the photo to its corners (columns x rows of inner corners, where four squares meet):

   dartfall lens --chessboard 9x6 --square 25mm --out phone.toml chess-*.jpg

or from photos of a ringed board, which give less:

   dartfall lens --rings 200mm,400mm,600mm,800mm --out phone.toml board-*.jpg

All photos from one camera, at one size, without zoom. The profile is used for
photos of the same camera, size and focal length alone.`

// LensCommand makes a lens profile.
func LensCommand(c console) *cli.Command {
	return &cli.Command{
		Name:        "lens",
		Usage:       "measure a camera's lens once, for dartfall measure --lens",
		ArgsUsage:   "PHOTO...",
		Description: lensHelp,
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "chessboard", Usage: "inner corners of the chessboard, as `COLUMNSxROWS`"},
			&cli.StringFlag{Name: "square", Usage: "side of a square, such as 25mm, to state what is left in mm"},
			&cli.StringFlag{Name: "rings", Usage: "diameters of all rings of a ringed board, such as 200mm,400mm,600mm,800mm"},
			&cli.StringFlag{Name: "out", Value: "lens.toml", Usage: "`FILE` to write; one that exists is not touched"},
		},
		Action: func(ctx *cli.Context) error { return runLens(c, ctx) },
	}
}

func runLens(c console, ctx *cli.Context) error {
	board, rings, out := ctx.String("chessboard"), ctx.String("rings"), ctx.String("out")
	switch {
	case ctx.NArg() == 0:
		return withHint(usagef("no photo given"), "dartfall lens --chessboard 9x6 --out phone.toml chess-*.jpg")
	case (board == "") == (rings == ""):
		return withHint(usagef("say what the photos show: --chessboard or --rings"), "dartfall help lens shows an example of each")
	}
	if _, err := os.Lstat(out); !errors.Is(err, fs.ErrNotExist) {
		return withHint(fmt.Errorf("%s exists and is not touched", out), "give another name with --out, or move it away first")
	}
	var p lens.Profile
	var left string
	var err error
	if board != "" {
		p, left, err = lensOfChessboards(ctx.Args().Slice(), board, ctx.String("square"), c)
	} else {
		p, left, err = lensOfRings(ctx.Args().Slice(), rings, c)
	}
	if err != nil {
		return err
	}
	text, err := p.Text()
	if err != nil {
		return err
	}
	if err := sheet.WriteFile(out, text); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "%s: k1 %+.4f, k2 %+.4f (±%.4f as one, 95%%) at half the diagonal", out, p.K1, p.K2, sheet.Normal95*p.K1Sigma)
	if p.FocalPx > 0 {
		fmt.Fprintf(c.Out, ", focal length %.1f ± %.1f px (95%%)", p.FocalPx, sheet.Normal95*p.FocalSigmaPx)
	}
	fmt.Fprintf(c.Out, ", from %s.\n%s\n", plural(p.Photos, "photo"), left)
	if p.Make+p.Model == "" {
		fmt.Fprintln(c.Err, "These photos do not name their camera: the profile goes with photos of the same size that do not either. Originals, straight from the phone, do.")
	}
	fmt.Fprintf(c.Err, "Use it with: dartfall measure --lens %s ...\n", out)
	return nil
}

// lensPhotos loads photos one by one and hands each on. All must be of one camera.
func lensPhotos(paths []string, use func(*photo.Photo) error) (lens.Profile, error) {
	var first lens.Profile
	for i, path := range paths {
		p, err := photo.Load(path, photo.Options{DecodeJPEG: vision.DecodeJPEG})
		if err != nil {
			return first, err
		}
		if p.Camera.Cropped {
			return first, withHint(fmt.Errorf("%s was cropped: the middle of its lens is no longer in its middle", p.Name), "give the photos as taken")
		}
		size := p.Image.Rect.Size()
		if i == 0 {
			first = lens.Of(p.Camera, size.X, size.Y)
		}
		if why := first.Mismatch(p.Camera, size.X, size.Y); why != "" {
			why = strings.NewReplacer("it is for", "the first photo is for", "it is of", "the first photo is of").Replace(why)
			return first, withHint(fmt.Errorf("%s does not go with the others: %s", p.Name, why), "one profile for each camera, size and zoom; edited or forwarded copies spoil it")
		}
		if err := use(p); err != nil {
			return first, err
		}
	}
	return first, nil
}

// lensOfChessboards measures a lens and says in words what it leaves.
func lensOfChessboards(paths []string, board, square string, c console) (p lens.Profile, left string, err error) {
	var columns, rows int
	if n, err := fmt.Sscanf(strings.ToLower(board)+" ", "%dx%d ", &columns, &rows); err != nil || n != 2 || columns < 3 || rows < 3 || columns > 40 || rows > 40 {
		return p, "", withHint(usagef("--chessboard %q is not columns x rows of inner corners", board), "a board of 10 by 7 squares has 9x6")
	}
	squareMM := 0.0
	if square != "" {
		if squareMM, err = units.Length(square); err != nil {
			return p, "", usagef("--square: %v", err)
		}
	}
	var views [][]calib.Px
	var size image.Point
	orientation := 0
	p, err = lensPhotos(paths, func(f *photo.Photo) error {
		if len(views) > 0 && f.Camera.Orientation != orientation {
			fmt.Fprintf(c.Err, "%s: left out, the phone was held another way than before\n", f.Name)
			return nil
		}
		corners, err := vision.Chessboard(f.Image, columns, rows)
		if errors.Is(err, vision.ErrNoChessboard) {
			fmt.Fprintf(c.Err, "%s: left out, not all of %d x %d inner corners are seen\n", f.Name, columns, rows)
			return nil
		}
		size, orientation, views = f.Image.Rect.Size(), f.Camera.Orientation, append(views, corners)
		return err
	})
	if err != nil {
		return p, "", err
	}
	fit, err := vision.FitLens(views, columns, size)
	if err != nil {
		return p, "", withHint(err, "ten photos or more, the whole chessboard sharp and flat, tilted to different sides, near the corners of the photo too")
	}
	fillProfile(&p, fit, orientation, len(views), fmt.Sprintf("chessboards of %d x %d inner corners", columns, rows))
	left = fmt.Sprintf("Corners lie %.3f px (RMS) from where the fit puts them.", fit.RMSPx)
	if squareMM > 0 {
		before, after := vision.FlatnessOfChessboards(views, columns, calib.Lens{}), vision.FlatnessOfChessboards(views, columns, fit.Lens)
		left += fmt.Sprintf(" On the board they lie %.2f mm from a plane as photographed, %.2f mm with the lens taken out.", before*squareMM, after*squareMM)
	}
	return p, left, nil
}

// lensOfRings does so from photos of a ringed board.
func lensOfRings(paths []string, rings string, c console) (p lens.Profile, left string, err error) {
	list, err := units.Lengths(rings)
	if err != nil {
		return p, "", withHint(usagef("--rings: %v", err), "each diameter needs its unit: --rings 200mm,400mm,600mm,800mm")
	}
	opts := vision.Options{Rings: vision.RingSpec{ListMM: list}, PlaneOnly: true}
	for _, mm := range list {
		opts.Rings.OuterMM = max(opts.Rings.OuterMM, mm)
	}
	var readings []*vision.Reading
	focal, orientation := 0.0, 0 // of the photo whose lens the fit takes
	p, err = lensPhotos(paths, func(f *photo.Photo) error {
		r, err := vision.Read(f, opts)
		if err != nil {
			fmt.Fprintf(c.Err, "%s: left out, %v\n", f.Name, err)
			return nil
		}
		if len(readings) == 0 {
			focal, orientation = f.Camera.FocalPx(2*r.Lens.ScalePx), f.Camera.Orientation
		}
		readings = append(readings, r)
		return nil
	})
	if err != nil {
		return p, "", err
	}
	fit, err := vision.LensOfRings(readings)
	if err != nil {
		return p, "", withHint(err, "the whole board near the corners of the photo, tilted to different sides, shows the lens; a chessboard shows it better")
	}
	fit.FocalPx, fit.FocalSigmaPx = focal, exifFocalSigma*focal
	fillProfile(&p, fit, orientation, len(readings), "ringed boards")
	return p, fmt.Sprintf("Ring edges lie %.3f px (RMS) from where the fits put them.", fit.RMSPx), nil
}

// exifFocalSigma is how far, relatively, the focal length in a photo's own data may
// be off: it is rounded to whole millimetres.
const exifFocalSigma = 0.03

func fillProfile(p *lens.Profile, fit vision.LensFit, orientation, photos int, from string) {
	p.SetLens(fit.Lens, orientation)
	p.K1Sigma, p.FocalPx, p.FocalSigmaPx = fit.K1Sigma, fit.FocalPx, fit.FocalSigmaPx
	p.RMSPx, p.Photos, p.From = fit.RMSPx, photos, from
}

// readLens reads the profile that --lens names, if any.
func (j *job) readLens(file string) error {
	if file == "" {
		return nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("cannot read the lens profile %s: %v", file, err)
	}
	p, err := lens.Parse(b)
	if err != nil {
		return withHint(fmt.Errorf("%s: %v", file, err), "dartfall lens makes such a file")
	}
	j.lens, j.lensName = &p, filepath.Base(file)
	j.note("lens", hexSHA256(b))
	return nil
}

// lensFor returns the lens of a photo when the profile goes with it, and a note that
// says whether it was used.
func (j job) lensFor(p *photo.Photo) (prior *vision.LensPrior, note string) {
	if j.lens == nil {
		return nil, ""
	}
	if p.Camera.Cropped {
		return nil, fmt.Sprintf("the lens profile %s is not used: the photo was cropped", j.lensName)
	}
	size := p.Image.Rect.Size()
	if why := j.lens.Mismatch(p.Camera, size.X, size.Y); why != "" {
		return nil, fmt.Sprintf("the lens profile %s is not used: %s", j.lensName, why)
	}
	return &vision.LensPrior{
		Lens: j.lens.Lens(p.Camera.Orientation), K1Sigma: j.lens.K1Sigma, FocalPx: j.lens.FocalPx, FocalSigmaPx: j.lens.FocalSigmaPx,
	}, fmt.Sprintf("the lens profile %s is used: same camera, size and focal length", j.lensName)
}
