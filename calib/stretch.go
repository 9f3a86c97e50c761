package calib

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// axesMisfit returns how far the plane's two axes, without Turn, depart from being
// orthogonal (cosine) and equally long (logarithm of the ratio) before a camera of
// the given focal length: both are zero where the rings of r are round and the
// camera is what it is taken for.
func axesMisfit(r *Rectification, focalPx float64, principal Px) [2]float64 {
	x, y, _ := r.WithTurn(0).Axes(focalPx, principal)
	return [2]float64{r3.Cos(x, y), math.Log(r3.Norm(x) / r3.Norm(y))}
}

// Stretch tells rings that are no circles. Rings stretched in one direction look
// like rings seen at another tilt, and no fit to them alone can tell; but the camera
// then shows less or more perspective than goes with that tilt. Stretch returns the
// relative stretch, largest diameter over smallest less one, that explains the
// misfit, and how many standard uncertainties it is from none: those of plane, focal
// length and principal point together, and of pixels that are not quite square.
func Stretch(r *Rectification, cam FocalPrior) (stretch, sigmas float64) {
	m := axesMisfit(r, cam.FocalPx, cam.Principal)
	stretch = math.Hypot(m[0], m[1])
	cov := mat.NewSymDense(2, []float64{squarePixelSigma * squarePixelSigma, 0, 0, squarePixelSigma * squarePixelSigma})
	grow := func(d [2]float64, e [2]float64, v float64) {
		for i := range 2 {
			for j := i; j < 2; j++ {
				cov.SetSym(i, j, cov.At(i, j)+v*(d[i]*e[j]+d[j]*e[i])/2)
			}
		}
	}
	const h = 1e-5
	f := axesMisfit(r, cam.FocalPx*(1+h), cam.Principal)
	slope := [2]float64{(f[0] - m[0]) / h, (f[1] - m[1]) / h}
	grow(slope, slope, cam.SigmaRel*cam.SigmaRel)
	for _, step := range []Px{{X: 1}, {Y: 1}} {
		f := axesMisfit(r, cam.FocalPx, cam.Principal.Add(step))
		slope := [2]float64{f[0] - m[0], f[1] - m[1]}
		grow(slope, slope, cam.PrincipalSigmaPx*cam.PrincipalSigmaPx)
	}
	if r.Cov != nil {
		var g [numPlane][2]float64
		for i := range g {
			step := h * math.Max(math.Abs(r.Plane[i]), 1e-6)
			moved := r.Plane
			moved[i] += step
			q, _ := NewRectification(moved, r.Lens, 0)
			v := axesMisfit(q, cam.FocalPx, cam.Principal)
			g[i] = [2]float64{(v[0] - m[0]) / step, (v[1] - m[1]) / step}
		}
		for i := range g {
			for j := range g {
				grow(g[i], g[j], r.Cov.At(i, j))
			}
		}
	}
	var inv mat.SymDense
	var ch mat.Cholesky
	if !ch.Factorize(cov) || ch.InverseTo(&inv) != nil {
		return stretch, 0
	}
	v := mat.NewVecDense(2, m[:])
	return stretch, math.Sqrt(mat.Inner(v, &inv, v))
}
