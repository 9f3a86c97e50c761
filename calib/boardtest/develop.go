package boardtest

import (
	"image"
	"math"
	"math/rand/v2"
)

// develop turns light on the sensor into the photo: lens shading, blur, exposure
// and white balance, noise, sRGB coding, sharpening. It uses light as its
// workspace.
func develop(s *Scene, light []float32) *image.NRGBA {
	w, h, im := s.Camera.Width, s.Camera.Height, s.Imaging
	if im.MotionPx > 0 {
		smear(light, w, h, im.MotionPx, im.MotionAngle)
	}
	if im.BlurPx > 0 {
		blurPlane(light, w, h, 3, im.BlurPx)
	}
	gain := tint(s.Light.Tint).scale(float32(math.Exp2(im.ExposureEV)))
	mid := s.Camera.middle()
	half2 := s.Camera.halfDiagonal() * s.Camera.halfDiagonal()
	shot2, read2 := float32(im.ShotSD*im.ShotSD), float32(im.ReadSD*im.ReadSD)
	for y := range h {
		src := rand.NewPCG(s.Seed, 7000+uint64(y))
		row := light[3*y*w : 3*(y+1)*w]
		dy := float64(y) - mid.Y
		for x := range w {
			dx := float64(x) - mid.X
			v := float32(1 - im.Vignette*(dx*dx+dy*dy)/half2)
			n := src.Uint64()
			for k := range 3 {
				e := row[3*x+k] * gain[k] * v
				if sd2 := shot2*e + read2; sd2 > 0 {
					e += float32(math.Sqrt(float64(sd2))) * normals[n>>(16*k)&(numNormals-1)]
				}
				row[3*x+k] = coded(e)
			}
		}
	}
	out := image.NewNRGBA(image.Rect(0, 0, w, h))
	luma := sharpening(light, w, h, im.Sharpen)
	for i := range w * h {
		d := float32(0)
		if luma != nil {
			d = luma[i]
		}
		for k := range 3 {
			v := light[3*i+k] + d
			out.Pix[4*i+k] = uint8(min(max(v, 0), 255) + 0.5)
		}
		out.Pix[4*i+3] = 255
	}
	return out
}

// numNormals is the size of the table of normal deviates.
const numNormals = 1 << 14

// normals holds the quantiles of the standard normal distribution.
var normals = func() (t [numNormals]float32) {
	for i := range t {
		t[i] = float32(math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/numNormals-1))
	}
	return t
}()

// codes tabulates the sRGB coding, in 255ths.
var codes = func() (t [4097]float32) {
	for i := range t {
		// The table runs over the root of the light, where the curve is straight
		// enough to interpolate.
		r := float64(i) / 4096
		t[i] = float32(255 * encode(r*r))
	}
	return t
}()

// coded returns the sRGB code of the light e, 0 to 255, clipped, not rounded.
func coded(e float32) float32 {
	if !(e > 0) {
		return 0
	}
	if e >= 1 {
		return 255
	}
	f := float32(math.Sqrt(float64(e))) * 4096
	i := int(f)
	return codes[i] + (f-float32(i))*(codes[i+1]-codes[i])
}

// sharpening returns what an unsharp mask of 1 px adds to each pixel's luma, nil
// for no sharpening.
func sharpening(coded []float32, w, h int, amount float64) []float32 {
	if amount == 0 {
		return nil
	}
	luma := make([]float32, w*h)
	for i := range luma {
		luma[i] = 0.299*coded[3*i] + 0.587*coded[3*i+1] + 0.114*coded[3*i+2]
	}
	soft := append([]float32(nil), luma...)
	blurPlane(soft, w, h, 1, 1)
	for i := range luma {
		luma[i] = float32(amount) * (luma[i] - soft[i])
	}
	return luma
}

// kernel returns one half of a Gaussian kernel, the middle first, sum 1 over
// both halves; each tap is the integral over its pixel.
func kernel(sd float64) []float32 {
	n := int(math.Ceil(3.5*sd)) + 1
	k := make([]float32, n)
	sum := 0.0
	for i := range k {
		v := math.Erf((float64(i)+0.5)/(sd*math.Sqrt2)) - math.Erf((float64(i)-0.5)/(sd*math.Sqrt2))
		k[i] = float32(v)
		sum += v
		if i > 0 {
			sum += v
		}
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	return k
}

// blurPlane blurs an image of ch interleaved channels in place with a Gaussian
// of sd pixels; the border pixels continue outside.
func blurPlane(p []float32, w, h, ch int, sd float64) {
	k := kernel(sd)
	n := len(k) - 1
	line := make([]float32, ch*(w+2*n))
	for y := range h {
		row := p[ch*y*w : ch*(y+1)*w]
		copy(line[ch*n:], row)
		for i := range n {
			copy(line[ch*i:ch*(i+1)], row[:ch])
			copy(line[ch*(n+w+i):ch*(n+w+i+1)], row[ch*(w-1):])
		}
		mid := line[ch*n : ch*(n+w)]
		k0 := k[0]
		for i, v := range mid {
			row[i] = k0 * v
		}
		for j := 1; j <= n; j++ {
			a, b, kj := line[ch*(n-j):ch*(n-j+w)], line[ch*(n+j):ch*(n+j+w)], k[j]
			for i := range row {
				row[i] += kj * (a[i] + b[i])
			}
		}
	}
	// Down the columns with the last n source rows kept, so that rows can be
	// overwritten in place.
	size := ch * w
	kept := make([][]float32, n+1)
	for i := range kept {
		kept[i] = make([]float32, size)
	}
	at := func(y, cur int) []float32 { // source row y while row cur is being made
		y = min(max(y, 0), h-1)
		if y <= cur {
			return kept[y%(n+1)]
		}
		return p[size*y : size*(y+1)]
	}
	for y := range h {
		row := p[size*y : size*(y+1)]
		copy(kept[y%(n+1)], row)
		k0 := k[0]
		for i, v := range kept[y%(n+1)] {
			row[i] = k0 * v
		}
		for j := 1; j <= n; j++ {
			a, b, kj := at(y-j, y), at(y+j, y), k[j]
			for i := range row {
				row[i] += kj * (a[i] + b[i])
			}
		}
	}
}

// smear averages along a straight line of the given length.
func smear(p []float32, w, h int, length, angle float64) {
	n := int(math.Ceil(length)) + 1
	src := append([]float32(nil), p...)
	clear(p)
	dy, dx := math.Sincos(angle)
	for i := range n {
		t := (float64(i)/float64(n-1) - 0.5) * length
		ox, oy := int(math.Round(t*dx)), int(math.Round(t*dy))
		f := 1 / float32(n)
		for y := range h {
			ys := min(max(y+oy, 0), h-1)
			for x := range w {
				xs := min(max(x+ox, 0), w-1)
				d, s := 3*(y*w+x), 3*(ys*w+xs)
				p[d] += f * src[s]
				p[d+1] += f * src[s+1]
				p[d+2] += f * src[s+2]
			}
		}
	}
}
