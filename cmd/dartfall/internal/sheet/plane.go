package sheet

import "dartfall/calib"

// Rectification reads the map between photo and board back, without its covariance;
// false when the document holds no proper plane.
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
	return calib.FromHomography(h, lens)
}
