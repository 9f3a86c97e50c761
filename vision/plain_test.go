package vision

import (
	"errors"
	"image"
	"math"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// plainRecipe is what a competent person scripts with OpenCV in half an hour, kept
// to say what the rest of this package earns: the largest ellipse among the
// contours, a homography from the four ends of its axes, ranges of hue, saturation
// and value, and the centroids of what is found; a blob detector for bare marks.
func plainRecipe(img *image.NRGBA, opts Options) (*Reading, error) {
	src, err := wrapNRGBA(img)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	ellipse, ok := largestEllipse(src)
	if !ok {
		return nil, errors.New("no ellipse")
	}
	sin, cos := math.Sincos(ellipse.Angle * math.Pi / 180)
	a, b, r := float64(ellipse.Width)/2, float64(ellipse.Height)/2, opts.Rings.OuterMM/2
	end := func(u, v float64) calib.Px {
		return calib.Px{X: float64(ellipse.Center.X) + u*cos - v*sin, Y: float64(ellipse.Center.Y) + u*sin + v*cos}
	}
	rect, err := calib.FromPoints([]calib.Tie{
		{At: end(a, 0), Board: r2.Vec{X: r * cos, Y: -r * sin}}, {At: end(0, b), Board: r2.Vec{X: -r * sin, Y: -r * cos}},
		{At: end(-a, 0), Board: r2.Vec{X: -r * cos, Y: r * sin}}, {At: end(0, -b), Board: r2.Vec{X: r * sin, Y: r * cos}},
	}, calib.Lens{})
	if err != nil {
		return nil, err
	}
	out := &Reading{Rectification: rect}
	lo, hi := rect.PxPerMM(r2.Vec{})
	scale := math.Sqrt(lo * hi)
	size := opts.Marks.SizeMM
	if size == 0 {
		size = usualDiscMM
	}
	area := math.Pi / 4 * size * size * scale * scale
	mark := func(p calib.Px, colour string) {
		if at := rect.ToBoard(p); r2.Norm(at) < 1.15*r {
			out.Marks = append(out.Marks, Mark{Pos: at, Photo: p, Colour: colour, DiameterMM: size, CovMM2: [3]float64{1, 0, 1}})
		}
	}
	if opts.Marks.Bare {
		for _, p := range plainBlobs(src) {
			mark(p, "")
		}
		return out, nil
	}
	hsv := gocv.NewMat()
	defer hsv.Close()
	gocv.CvtColor(src, &hsv, gocv.ColorRGBAToBGR)
	gocv.CvtColor(hsv, &hsv, gocv.ColorBGRToHSV)
	colours := opts.Marks.Colours
	if len(colours) == 0 {
		colours = []string{"red", "orange", "yellow", "green", "blue", "purple", "pink"}
	}
	for _, c := range colours {
		for _, p := range centroids(hsv, hsvRanges[c], area) {
			mark(p, c)
		}
	}
	return out, nil
}

// hsvRanges are the usual ranges of hue (half degrees), saturation and value.
var hsvRanges = map[string][][2]gocv.Scalar{
	"red":    {{hsv(0, 110, 60), hsv(8, 255, 255)}, {hsv(172, 110, 60), hsv(180, 255, 255)}},
	"orange": {{hsv(9, 110, 90), hsv(20, 255, 255)}},
	"yellow": {{hsv(21, 90, 110), hsv(34, 255, 255)}},
	"green":  {{hsv(40, 60, 40), hsv(88, 255, 255)}},
	"blue":   {{hsv(95, 90, 40), hsv(125, 255, 255)}},
	"purple": {{hsv(126, 50, 40), hsv(155, 255, 255)}},
	"pink":   {{hsv(156, 50, 110), hsv(171, 200, 255)}},
	"black":  {{hsv(0, 0, 0), hsv(180, 255, 50)}},
	"white":  {{hsv(0, 0, 200), hsv(180, 40, 255)}},
}

func hsv(h, s, v float64) gocv.Scalar { return gocv.NewScalar(h, s, v, 0) }

// largestEllipse fits an ellipse to every long contour of the edges and returns the
// largest that its contour follows.
func largestEllipse(src gocv.Mat) (best gocv.RotatedRect, ok bool) {
	edges := gocv.NewMat()
	defer edges.Close()
	gocv.CvtColor(src, &edges, gocv.ColorRGBAToGray)
	gocv.GaussianBlur(edges, &edges, image.Pt(5, 5), 0, 0, gocv.BorderDefault)
	gocv.Canny(edges, &edges, 50, 150)
	contours := gocv.FindContours(edges, gocv.RetrievalList, gocv.ChainApproxNone)
	defer contours.Close()
	for i := range contours.Size() {
		c := contours.At(i)
		if c.Size() < 200 {
			continue
		}
		e := gocv.FitEllipse(c)
		w, h := float64(e.Width), float64(e.Height)
		around := math.Pi * (3*(w+h)/2 - math.Sqrt((3*w+h)*(w+3*h))/2) // Ramanujan 1914
		inside := w <= float64(src.Cols()) && h <= float64(src.Rows()) && 2*math.Min(w, h) > math.Max(w, h)
		if inside && float64(c.Size()) > 0.5*around && w*h > float64(best.Width)*float64(best.Height) {
			best, ok = e, true
		}
	}
	return best, ok
}

// centroids returns the middles of the regions in the given ranges that have about
// the area of a sticker.
func centroids(hsv gocv.Mat, ranges [][2]gocv.Scalar, area float64) (out []calib.Px) {
	mask, one := gocv.NewMat(), gocv.NewMat()
	defer mask.Close()
	defer one.Close()
	for i, r := range ranges {
		if i == 0 {
			gocv.InRangeWithScalar(hsv, r[0], r[1], &mask)
			continue
		}
		gocv.InRangeWithScalar(hsv, r[0], r[1], &one)
		gocv.BitwiseOr(mask, one, &mask)
	}
	if mask.Empty() {
		return nil
	}
	kernel := gocv.GetStructuringElement(gocv.MorphEllipse, image.Pt(5, 5))
	defer kernel.Close()
	gocv.MorphologyEx(mask, &mask, gocv.MorphOpen, kernel)
	contours := gocv.FindContours(mask, gocv.RetrievalExternal, gocv.ChainApproxNone)
	defer contours.Close()
	for i := range contours.Size() {
		c := contours.At(i)
		a, around := gocv.ContourArea(c), gocv.ArcLength(c, true)
		if a < 0.4*area || a > 2.5*area || 4*math.Pi*a < 0.6*around*around {
			continue
		}
		var sum calib.Px
		for _, p := range c.ToPoints() {
			sum = sum.Add(calib.Px{X: float64(p.X), Y: float64(p.Y)})
		}
		out = append(out, sum.Scale(1/float64(c.Size())))
	}
	return out
}

// plainBlobs runs OpenCV's blob detector as it comes.
func plainBlobs(src gocv.Mat) (out []calib.Px) {
	grey := gocv.NewMat()
	defer grey.Close()
	gocv.CvtColor(src, &grey, gocv.ColorRGBAToGray)
	d := gocv.NewSimpleBlobDetector()
	defer d.Close()
	for _, k := range d.Detect(grey) {
		out = append(out, calib.Px{X: k.X, Y: k.Y})
	}
	return out
}
