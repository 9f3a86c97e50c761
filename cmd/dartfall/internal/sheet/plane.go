package sheet

import (
	"gonum.org/v1/gonum/mat"

	"dartfall/calib"
)

// SetRectification writes the map between photo and board, with its uncertainty.
func (p *Plane) SetRectification(r *calib.Rectification) {
	for i, v := range r.Homography() {
		p.Homography[i] = Number(v)
	}
	p.LensCentrePx = [2]Number{Number(r.Lens.CentrePx.X), Number(r.Lens.CentrePx.Y)}
	p.LensScalePx, p.LensK1, p.LensK2 = Number(r.Lens.ScalePx), Number(r.Lens.K1), Number(r.Lens.K2)
	p.ScaleSigma = Number(r.ScaleSigma)
	if r.Bow != (calib.Bow{}) {
		p.Bow = &Bow{ReachMM: Number(r.Bow.ReachMM)}
		for i := range 3 {
			p.Bow.EyeMM[i], p.Bow.LiftMM[i] = Number(r.Bow.Eye[i]), Number(r.Bow.LiftMM[i])
		}
	}
	if r.Cov != nil {
		next := p.Covariance[:0]
		for i := range calib.NumFree {
			for j := i; j < calib.NumFree; j++ {
				next = append(next, Number(r.Cov.At(i, j)))
			}
		}
	}
}

// Rectification reads back what SetRectification wrote; false when the document holds
// no proper plane.
func (p Plane) Rectification() (*calib.Rectification, bool) {
	var h [9]float64
	for i, v := range p.Homography {
		if !v.Known() {
			return nil, false
		}
		h[i] = float64(v)
	}
	lens := calib.Lens{
		CentrePx: calib.Px{X: float64(p.LensCentrePx[0]), Y: float64(p.LensCentrePx[1])},
		ScalePx:  float64(p.LensScalePx), K1: float64(p.LensK1), K2: float64(p.LensK2),
	}
	r, ok := calib.FromHomography(h, lens)
	if !ok {
		return nil, false
	}
	r.ScaleSigma = float64(p.ScaleSigma)
	if b := p.Bow; b != nil {
		r.Bow.ReachMM = float64(b.ReachMM)
		for i := range 3 {
			r.Bow.Eye[i], r.Bow.LiftMM[i] = float64(b.EyeMM[i]), float64(b.LiftMM[i])
		}
	}
	r.Cov = mat.NewSymDense(calib.NumFree, nil)
	next := p.Covariance[:]
	for i := range calib.NumFree {
		for j := i; j < calib.NumFree; j++ {
			if next[0].Known() {
				r.Cov.SetSym(i, j, float64(next[0]))
			}
			next = next[1:]
		}
	}
	return r, true
}
