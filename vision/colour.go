package vision

import "math"

// srgbToLinear maps an sRGB value in [0, 1] to linear light (IEC 61966-2-1).
func srgbToLinear(c float64) float64 {
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

// lab is a colour in CIELAB (CIE 1976) under D65.
type lab struct{ L, A, B float64 }

// labOf converts linear sRGB to CIELAB, white (0.95047, 1, 1.08883).
func labOf(r, g, b float64) lab {
	x := (0.4124*r + 0.3576*g + 0.1805*b) / 0.95047
	y := 0.2126*r + 0.7152*g + 0.0722*b
	z := (0.0193*r + 0.1192*g + 0.9505*b) / 1.08883
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	return lab{116*f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))}
}

// ciede2000 returns the colour difference of two CIELAB colours with unit
// weights (Sharma, Wu, Dalal, Color Res. Appl. 30, 2005, equations 2 to 22).
func ciede2000(p, q lab) float64 {
	const deg = math.Pi / 180
	c := (math.Hypot(p.A, p.B) + math.Hypot(q.A, q.B)) / 2
	c7 := math.Pow(c, 7)
	g := 0.5 * (1 - math.Sqrt(c7/(c7+math.Pow(25, 7))))
	a1, a2 := p.A*(1+g), q.A*(1+g)
	c1, c2 := math.Hypot(a1, p.B), math.Hypot(a2, q.B)
	hue := func(a, b float64) float64 {
		if a == 0 && b == 0 {
			return 0
		}
		h := math.Atan2(b, a) / deg
		if h < 0 {
			h += 360
		}
		return h
	}
	h1, h2 := hue(a1, p.B), hue(a2, q.B)
	dL, dC := q.L-p.L, c2-c1
	dh, hm := 0.0, h1+h2
	if c1*c2 != 0 {
		dh = h2 - h1
		switch {
		case dh > 180:
			dh -= 360
		case dh < -180:
			dh += 360
		}
		switch {
		case math.Abs(h1-h2) <= 180:
			hm = (h1 + h2) / 2
		case h1+h2 < 360:
			hm = (h1 + h2 + 360) / 2
		default:
			hm = (h1 + h2 - 360) / 2
		}
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*deg)
	lm, cm := (p.L+q.L)/2, (c1+c2)/2
	t := 1 - 0.17*math.Cos((hm-30)*deg) + 0.24*math.Cos(2*hm*deg) +
		0.32*math.Cos((3*hm+6)*deg) - 0.20*math.Cos((4*hm-63)*deg)
	turn := 30 * math.Exp(-math.Pow((hm-275)/25, 2))
	cm7 := math.Pow(cm, 7)
	rc := 2 * math.Sqrt(cm7/(cm7+math.Pow(25, 7)))
	l50 := (lm - 50) * (lm - 50)
	sL := 1 + 0.015*l50/math.Sqrt(20+l50)
	sC := 1 + 0.045*cm
	sH := 1 + 0.015*cm*t
	rT := -math.Sin(2*turn*deg) * rc
	l, cc, h := dL/sL, dC/sC, dH/sH
	return math.Sqrt(l*l + cc*cc + h*h + rT*cc*h)
}
