package calib

// Lens is radial distortion about a centre. An ideal pinhole image point p
// appears at
//
//	c + (p-c) (1 + K1 q + K2 q²),   q = |p-c|² / ScalePx²
//
// (Brown 1966, radial terms only). ScalePx sets the unit of K1 and K2: the half
// diagonal of the photo, or the focal length in pixels, whichever the source of
// the coefficients used. The zero value is a lens without distortion.
type Lens struct {
	CentrePx Px
	ScalePx  float64
	K1, K2   float64
}

// Distort maps an ideal pinhole point to where the lens puts it.
func (l Lens) Distort(p Px) Px {
	if l.ScalePx == 0 {
		return p
	}
	d := p.Sub(l.CentrePx)
	q := (d.X*d.X + d.Y*d.Y) / (l.ScalePx * l.ScalePx)
	return l.CentrePx.Add(d.Scale(1 + q*(l.K1+q*l.K2)))
}

// Undistort inverts Distort by Newton's rule on the radius. Beyond the radius
// where a barrel distortion folds back on itself no inverse exists; the point of
// the fold is returned there.
func (l Lens) Undistort(p Px) Px {
	if l.ScalePx == 0 || (l.K1 == 0 && l.K2 == 0) {
		return p
	}
	d := p.Sub(l.CentrePx)
	rd := d.Norm() / l.ScalePx
	if rd == 0 {
		return p
	}
	r := rd
	for range 20 {
		q := r * r
		slope := 1 + q*(3*l.K1+5*q*l.K2)
		if slope < 0.05 {
			break
		}
		step := (r*(1+q*(l.K1+q*l.K2)) - rd) / slope
		r -= step
		if step < 1e-13 && step > -1e-13 {
			break
		}
	}
	return l.CentrePx.Add(d.Scale(r / rd))
}

// jacobian returns the derivative of Distort at the ideal point p as rows
// (du/dx, du/dy), (dv/dx, dv/dy), and the derivatives of the result with
// respect to K1 and K2.
func (l Lens) jacobian(p Px) (j [2][2]float64, dK1, dK2 Px) {
	if l.ScalePx == 0 {
		return [2][2]float64{{1, 0}, {0, 1}}, Px{}, Px{}
	}
	d := p.Sub(l.CentrePx)
	s2 := l.ScalePx * l.ScalePx
	q := (d.X*d.X + d.Y*d.Y) / s2
	f := 1 + q*(l.K1+q*l.K2)
	g := 2 * (l.K1 + 2*q*l.K2) / s2
	j = [2][2]float64{{f + g*d.X*d.X, g * d.X * d.Y}, {g * d.X * d.Y, f + g*d.Y*d.Y}}
	return j, d.Scale(q), d.Scale(q * q)
}
