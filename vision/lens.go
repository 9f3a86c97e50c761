package vision

import (
	"errors"
	"image"
	"math"

	"gocv.io/x/gocv"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// LensPrior is what is known of a camera before its photo is read.
type LensPrior struct {
	calib.Lens         // of the upright photo; ScalePx is half its diagonal
	K1Sigma    float64 // standard uncertainty of K1 and K2 together, as one of K1
	FocalPx    float64 // 0 when unknown
	// FocalSigmaPx is the standard uncertainty of FocalPx.
	FocalSigmaPx float64
}

// know takes over what is known of the lens.
func (c *camera) know(l LensPrior) {
	c.lens, c.centreSigmaPx, c.k1Sigma = l.Lens, 0, l.K1Sigma
	if l.FocalPx > 0 {
		c.focalPx, c.sigmaRel = l.FocalPx, max(l.FocalSigmaPx/l.FocalPx, leastFocalSigma)
	}
}

// leastFocalSigma is how far, relatively, a phone's focal length moves with focus.
const leastFocalSigma = 0.005

// LensFit is a lens measured from several photos.
type LensFit struct {
	LensPrior
	RMSPx float64 // distance of what was seen from where the fit puts it
}

// Errors of lens fits.
var (
	ErrNoChessboard = errors.New("no chessboard of that many inner corners is seen")
	ErrFewViews     = errors.New("three photos or more, from different sides, fix a lens")
	ErrNoLens       = errors.New("the photos do not fix the lens")
)

// Chessboard finds the inner corners of a chessboard to sub-pixel, row by row.
func Chessboard(img *image.NRGBA, columns, rows int) ([]calib.Px, error) {
	colour, err := wrapNRGBA(img)
	if err != nil {
		return nil, err
	}
	defer colour.Close()
	grey := gocv.NewMat()
	defer grey.Close()
	gocv.CvtColor(colour, &grey, gocv.ColorRGBAToGray)
	corners := gocv.NewMat()
	defer corners.Close()
	if !gocv.FindChessboardCorners(grey, image.Pt(columns, rows), &corners, gocv.CalibCBAdaptiveThresh|gocv.CalibCBNormalizeImage|gocv.CalibCBFastCheck) {
		return nil, ErrNoChessboard
	}
	// A sixth of a square to either side: far from the next edge.
	a, b := corners.GetVecfAt(0, 0), corners.GetVecfAt(1, 0)
	half := int(max(3, min(15, math.Round(math.Hypot(float64(b[0]-a[0]), float64(b[1]-a[1]))/6))))
	gocv.CornerSubPix(grey, &corners, image.Pt(half, half), image.Pt(-1, -1), gocv.NewTermCriteria(gocv.Count|gocv.EPS, 60, 1e-4))
	out := make([]calib.Px, corners.Rows())
	for i := range out {
		v := corners.GetVecfAt(i, 0)
		out[i] = calib.Px{X: float64(v[0]), Y: float64(v[1])}
	}
	return out, nil
}

// FitLens fits focal length, centre and radial distortion to chessboard corners, row
// by row with so many columns, seen on photos of one size (Zhang, PAMI 2000). The
// uncertainties are those of leaving out one photo after the other (the jackknife,
// Efron 1982): K1Sigma is how much the distortion seven tenths of the way to a corner
// of the photo differs, as a value of K1.
func FitLens(views [][]calib.Px, columns int, size image.Point) (LensFit, error) {
	if len(views) < 3 {
		return LensFit{}, ErrFewViews
	}
	fit, err := calibrate(views, columns, size)
	if err != nil {
		return LensFit{}, err
	}
	at := func(l calib.Lens) float64 { return l.K1 + 0.7*0.7*l.K2 }
	n := float64(len(views))
	var k, f, kk, ff float64
	for i := range views {
		rest := append(append([][]calib.Px{}, views[:i]...), views[i+1:]...)
		part, err := calibrate(rest, columns, size)
		if err != nil {
			return LensFit{}, err
		}
		dk, df := at(part.Lens)-at(fit.Lens), part.FocalPx-fit.FocalPx
		k, f, kk, ff = k+dk, f+df, kk+dk*dk, ff+df*df
	}
	fit.K1Sigma = math.Sqrt((n - 1) / n * (kk - k*k/n))
	fit.FocalSigmaPx = math.Sqrt((n - 1) / n * (ff - f*f/n))
	return fit, nil
}

// radialOnly is CALIB_ZERO_TANGENT_DIST and CALIB_FIX_K3 of OpenCV's calib3d.hpp;
// gocv names the flags of the fisheye model alone, which differ.
const radialOnly = gocv.CalibFlag(0x8 | 0x80)

// calibrate is FitLens without uncertainties.
func calibrate(views [][]calib.Px, columns int, size image.Point) (LensFit, error) {
	var board [][]gocv.Point3f
	var seen [][]gocv.Point2f
	for _, corners := range views {
		var b []gocv.Point3f
		var s []gocv.Point2f
		for i, c := range corners {
			b = append(b, gocv.Point3f{X: float32(i % columns), Y: float32(i / columns)})
			s = append(s, gocv.Point2f{X: float32(c.X), Y: float32(c.Y)})
		}
		board, seen = append(board, b), append(seen, s)
	}
	object, points := gocv.NewPoints3fVectorFromPoints(board), gocv.NewPoints2fVectorFromPoints(seen)
	defer object.Close()
	defer points.Close()
	matrix, bend, turns, shifts := gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	for _, m := range []*gocv.Mat{&matrix, &bend, &turns, &shifts} {
		defer m.Close()
	}
	rms := gocv.CalibrateCamera(object, points, size, &matrix, &bend, &turns, &shifts, radialOnly)
	at := func(m gocv.Mat, i int) float64 { return m.GetDoubleAt(i/m.Cols(), i%m.Cols()) }
	half := math.Hypot(float64(size.X), float64(size.Y)) / 2
	f := (at(matrix, 0) + at(matrix, 4)) / 2
	u := half * half / (f * f) // of the square of a radius in focal lengths, at half the diagonal
	fit := LensFit{RMSPx: rms, LensPrior: LensPrior{FocalPx: f, Lens: calib.Lens{
		CentrePx: calib.Px{X: at(matrix, 2), Y: at(matrix, 5)}, ScalePx: half, K1: at(bend, 0) * u, K2: at(bend, 1) * u * u,
	}}}
	if !(rms < 5) || !(f > 0.2*half) || !(math.Abs(fit.K1) < 1) || !(math.Abs(fit.K2) < 1) {
		return LensFit{}, ErrNoLens
	}
	return fit, nil
}

// LensOfRings joins what the readings of ringed boards by one camera say of its
// radial distortion, each without what was assumed beforehand. The scatter of the
// photos about the mean counts where it exceeds what they state.
func LensOfRings(readings []*Reading) (LensFit, error) {
	if len(readings) < 3 {
		return LensFit{}, ErrFewViews
	}
	var sum, weight, px float64
	var k1, info []float64
	for _, r := range readings {
		if r.Cov == nil {
			continue
		}
		v := r.Cov.At(lensRow, lensRow)
		w := 1/v - 1/(lensSigma*lensSigma)
		if !(w > 1/(lensSigma*lensSigma)) {
			continue // the rings of this photo hardly show the lens
		}
		k1, info = append(k1, r.Lens.K1/(v*w)), append(info, w)
		sum, weight, px = sum+r.Lens.K1/v, weight+w, px+r.ResidualPx*r.ResidualPx
	}
	if len(k1) < 3 {
		return LensFit{}, ErrNoLens
	}
	n := float64(len(k1))
	fit := LensFit{RMSPx: math.Sqrt(px / n), LensPrior: LensPrior{Lens: readings[0].Lens}}
	fit.K1 = sum / weight
	chi2 := 0.0
	for i, k := range k1 {
		chi2 += info[i] * (k - fit.K1) * (k - fit.K1)
	}
	fit.K1Sigma = math.Sqrt(max(1, chi2/(n-1)) / weight)
	return fit, nil
}

// lensRow is the place of K1 in the covariance of a calib.Rectification.
const lensRow = 7

// FlatnessOfChessboards returns how far the corners of chessboards lie from a plane
// fitted to each, with the lens taken out: RMS in squares, NaN where none fits.
func FlatnessOfChessboards(views [][]calib.Px, columns int, lens calib.Lens) float64 {
	sum, n := 0.0, 0
	for _, corners := range views {
		// The corners may be listed either way round, seen from the front.
		for _, sign := range []float64{-1, 1} {
			ties := make([]calib.Tie, len(corners))
			for i, c := range corners {
				ties[i] = calib.Tie{At: c, SigmaPx: 0.1, Board: r2.Vec{X: float64(i % columns), Y: sign * float64(i/columns)}}
			}
			plane, err := calib.SolvePoints(ties, lens)
			if err != nil {
				continue
			}
			for _, t := range ties {
				sum += r2.Norm2(r2.Sub(plane.ToBoard(t.At), t.Board))
			}
			n += len(ties)
			break
		}
	}
	return math.Sqrt(sum / float64(n))
}
