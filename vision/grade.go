package vision

import (
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// Level is the verdict on one quality of a photo.
type Level string

// The three levels.
const (
	Good    Level = "good"
	Rough   Level = "rough"   // measured, with wide intervals, or marks may be lacking
	Refused Level = "refused" // no number can be stood behind
)

// Check is one quality of a photo, in plain words.
type Check struct {
	Name   string  // sampling, tilt, blur, light, glare, colour, ring-seen, ring-fit, plane, overlooked, size
	Value  float64 // in Unit
	Unit   string
	Level  Level
	Words  string
	Advice string // what to do about it; "" when good
}

// Refusal is the error for a photo that can be read but not measured.
type Refusal struct{ Reason, Advice string }

func (r *Refusal) Error() string { return r.Reason }

// smallestStickerMM is the sticker assumed when the size is unknown.
const smallestStickerMM = 12.0

// Blur (one standard deviation) from which a photo is rough, of a sticker's width and in
// px, and at which nothing is read: what looks at edges looks this far. Of seven boards,
// blurred step by step, the first false or lost marks came at 5 px of blur, read as 4, and
// at 7, read as 5.7, one mark in four was wrong.
const (
	roughBlur   = 0.14
	roughBlurPx = 3.8
	mostBlurPx  = 5.5
)

const focus = "tap the board to focus and hold still; wipe the lens"

// burntShare of a face is too much to look for marks of unknown colour on it.
const burntShare = 0.6

// grade judges a photo whose board was found.
func grade(img *image.NRGBA, fit *boardFit, cam camera, marks MarkOptions) []Check {
	stickerMM := marks.SizeMM
	if stickerMM == 0 {
		stickerMM = smallestStickerMM
	}
	lo, hi := fit.sol.PxPerMM(r2.Vec{})
	pxPerMM := math.Sqrt(lo * hi)
	worst := 0.0 // of the plane on the outer ring, relative to its radius
	radius := fit.circles[0].RadiusMM
	for i := range 12 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 12)
		xx, _, yy := fit.sol.PlaneCov(r2.Vec{X: radius * cos, Y: radius * sin})
		worst = math.Max(worst, math.Sqrt((xx+yy)/2)/radius)
	}
	dark, burnt, tinted := brightness(img, fit.sol.Rectification, fit.circles[0].RadiusMM)
	tiltDeg := tilt(fit.sol.Rectification, cam.focalPx, fit.sol.Lens.CentrePx) * 180 / math.Pi
	fixed, surer := "what was seen of the rings fixes sizes to %.1f%%", "use a face with two rings or more, and name them all with --rings"
	fitted, straighter := "ring edges lie %.2f px (%.2f mm) from the fitted rings", "draw the rings with a string and a pen, or print a face; check that the board is flat"
	if fit.basis == ByPoints {
		fixed, surer = "the points fix sizes to %.1f%%", "set more points, as far apart as the board allows"
		fitted, straighter = "the points lie %.2f px (%.2f mm) from the fitted plane", "set the points anew: one of them may be off"
	}
	square, steepest := 35.0, 58.0
	if cam.centreSigmaPx > 0 { // of a cropped photo the tilt is a guess; "plane" judges what it does
		square, steepest = math.Inf(1), math.Inf(1)
	}
	mostBurnt := burntShare
	if !marks.Bare && len(marks.Colours) > 0 && seenThroughout(fit.circles) { // and each colour was found: unseen
		mostBurnt = math.Inf(1)
	}
	checks := []Check{
		level("sampling", lo, "px/mm", lo*stickerMM, 9, 5,
			fmt.Sprintf("%.2f px per mm: a sticker %.3g mm wide covers %.0f px", lo, stickerMM, lo*stickerMM),
			"go closer, or send the original photo: messaging apps shrink it"),
		level("tilt", tiltDeg, "°", -tiltDeg, -square, -steepest,
			fmt.Sprintf("seen %.0f° from square-on", tiltDeg),
			"hold the lens at the height of the board's middle, straight before it"),
		level("blur", fit.blurPx, "px", -math.Max(fit.blurPx/pxPerMM/stickerMM, fit.blurPx/roughBlurPx*roughBlur), -roughBlur, -0.3,
			fmt.Sprintf("edges are soft over %.1f px (%.1f mm)", fit.blurPx, fit.blurPx/pxPerMM), focus),
		level("light", dark, "grey levels", dark, 30, 10,
			fmt.Sprintf("the face is at %.0f of 255", dark),
			"more light, or expose for the board"),
		level("glare", 100*burnt, "%", -burnt, -0.15, -mostBurnt,
			fmt.Sprintf("%.0f%% of the face is burnt out", 100*burnt),
			"turn the board out of the glare, or tap it to lower the exposure: white stickers do not show on a burnt-out face"),
		level("colour", 100*tinted, "%", -tinted, -0.35, math.Inf(-1),
			fmt.Sprintf("%.0f%% of the face has lost its colour: one or two of red, green and blue are at their limit", 100*tinted),
			"lower the exposure, and avoid coloured light: sticker colours may be named wrongly"),
		level("ring-seen", 100*fit.seen, "%", fit.seen, 0.6, 0.3,
			fmt.Sprintf("%.0f%% of the outer ring was seen", 100*fit.seen),
			"step back until the whole board and some margin is in the picture"),
		level("ring-fit", fit.sol.ResidualPx, "px", -fit.sol.ResidualPx/pxPerMM/stickerMM, -0.03, -0.4,
			fmt.Sprintf(fitted, fit.sol.ResidualPx, fit.sol.ResidualPx/pxPerMM), straighter),
		level("plane", 100*worst, "%", -worst, -0.004, -0.03,
			fmt.Sprintf(fixed, 100*worst), surer),
	}
	if fit.basis == ByPoints { // no ring was looked at
		checks = slices.DeleteFunc(checks, func(c Check) bool { return c.Name == "blur" || c.Name == "ring-seen" })
	}
	return checks
}

// level grades score, of which more is better.
func level(name string, value float64, unit string, score, good, least float64, words, advice string) Check {
	c := Check{Name: name, Value: value, Unit: unit, Level: Good, Words: words}
	switch {
	case !(score >= least):
		c.Level, c.Advice = Refused, advice
	case score < good:
		c.Level, c.Advice = Rough, advice
	}
	return c
}

// brightness returns the 80th percentile of the brightest channel on the face
// (grey levels), the share of the face in which all channels are burnt out, and
// that in which some are.
func brightness(img *image.NRGBA, r *calib.Rectification, radiusMM float64) (level, burnt, tinted float64) {
	var hist [256]int
	var clipped [4]int // samples by how many channels are at their limit
	n := 0
	const steps = 60
	for i := -steps; i <= steps; i++ {
		for j := -steps; j <= steps; j++ {
			if i*i+j*j > steps*steps {
				continue
			}
			p := r.ToPhoto(r2.Vec{X: radiusMM * float64(i) / steps, Y: radiusMM * float64(j) / steps})
			x, y := int(math.Round(p.X)), int(math.Round(p.Y))
			if !(image.Point{X: x, Y: y}).In(img.Rect) {
				continue
			}
			o := y*img.Stride + 4*x
			c := img.Pix[o : o+3]
			hist[max(c[0], c[1], c[2])]++
			n++
			channels := 0
			for _, v := range c {
				if v >= 254 {
					channels++
				}
			}
			clipped[channels]++
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	burnt, tinted = float64(clipped[3])/float64(n), float64(clipped[1]+clipped[2])/float64(n)
	seen := 0
	for v, k := range hist {
		if seen += k; seen >= n*8/10 {
			return float64(v), burnt, tinted
		}
	}
	return 255, burnt, tinted
}

// seenThroughout reports whether what is printed shows everywhere on the face: light
// paper, exposed too long, loses nothing else, as it does under a patch of glare.
func seenThroughout(circles []Circle) bool {
	return len(circles) > 1 && !slices.ContainsFunc(circles, func(c Circle) bool { return c.Seen < 2.0/3 }) // stickers cover some
}

// unseen refuses a face that is burnt out where white stickers may be burnt out with it,
// or those of a declared colour that was not found. Where counts are declared, colours
// without one are not on the board yet.
func (r *Reading) unseen(m MarkOptions) *Refusal {
	i := slices.IndexFunc(r.Checks, func(c Check) bool { return c.Name == "glare" && c.Value > 100*burntShare })
	if i < 0 {
		return nil
	}
	for _, colour := range m.Colours {
		if len(m.Counts) > 0 && !slices.ContainsFunc(m.Counts, func(c ColourCount) bool { return c.Colour == colour }) {
			continue
		}
		if colour == "white" || !slices.ContainsFunc(r.Marks, func(k Mark) bool { return k.Colour == colour }) {
			return &Refusal{fmt.Sprintf("%s, and %s stickers may be burnt out with it", r.Checks[i].Words, colour), r.Checks[i].Advice}
		}
	}
	return nil
}

// refusalOf turns failed checks and search errors into one sentence each on what
// is wrong and what to photograph differently.
func refusalOf(checks []Check) *Refusal {
	for _, c := range checks {
		if c.Level == Refused {
			return &Refusal{c.Words + ": no number can be stood behind", c.Advice}
		}
	}
	return nil
}
