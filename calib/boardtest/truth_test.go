package boardtest

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
)

// A black disc: where a row or column of pixels crosses its border, the light
// must say the place that the exact geometry says. The light is divided by that
// of the same photo without the disc, so that paper grain and shading cancel and
// only the rays' spacing (0.013 px) and the 8-bit coding (some 0.004 px) remain.
func TestRingEdge(t *testing.T) {
	const tolMeanPx, tolRMSPx, tolPx = 0.005, 0.02, 0.06
	black := Colour{20, 20, 20}
	s := tilted(600, 450)
	s.Face = Face{Rings: []Ring{{OuterDiameterMM: 400, Fill: &black}}}
	bare := s
	bare.Face = Face{}
	with, truth := Render(s)
	without, _ := Render(bare)
	inkOnPaper := decode(20.0/255) / decode(float64(s.Board.Paper.G)/255)
	r := truth.Rectification
	ray := func(angle, radius float64) calib.Px {
		sin, cos := math.Sincos(angle)
		return r.ToPhoto(r2.Vec{X: radius * cos, Y: radius * sin})
	}
	const edges = 144
	var sum, sum2 float64
	for i := range edges {
		angle := 2 * math.Pi * (float64(i) + 0.37) / edges
		edge, out := ray(angle, 200), ray(angle, 203).Sub(ray(angle, 200))
		// at maps (along, across) the line of pixels to the photo.
		at := func(along, across float64) calib.Px { return calib.Px{X: along, Y: across} }
		along, across, sign := edge.X, edge.Y, out.X
		if math.Abs(out.Y) > math.Abs(out.X) {
			at = func(along, across float64) calib.Px { return calib.Px{X: across, Y: along} }
			along, across, sign = edge.Y, edge.X, out.Y
		}
		across = math.Round(across)
		const reach = 4
		from := math.Round(along) - reach
		ink := 0.0
		for k := range 2*reach + 1 {
			p := at(from+float64(k), across)
			x, y := int(p.X), int(p.Y)
			ink += (1 - level(with, x, y)/level(without, x, y)) / (1 - inkOnPaper)
		}
		got := from - 0.5 + ink
		if sign < 0 {
			got = from + 2*reach + 0.5 - ink
		}
		// The border's mean over the height of the row, each by bisection.
		const n = 16
		want := 0.0
		for j := range n {
			c := across + (float64(j)+0.5)/n - 0.5
			lo, hi := along-reach, along+reach
			for range 40 {
				mid := (lo + hi) / 2
				v := r.ToBoard(at(mid, c))
				if inside := math.Hypot(v.X, v.Y) < 200; inside == (sign > 0) {
					lo = mid
				} else {
					hi = mid
				}
			}
			want += lo / n
		}
		if !(math.Abs(got-want) < tolPx) {
			t.Errorf("edge at %.0f°: the light says %.4f, the geometry %.4f", angle*180/math.Pi, got, want)
		}
		outwards := math.Copysign(got-want, (got-want)*sign)
		sum, sum2 = sum+outwards, sum2+outwards*outwards
	}
	mean, rms := sum/edges, math.Sqrt(sum2/edges)
	if !(math.Abs(mean) < tolMeanPx) || !(rms < tolRMSPx) {
		t.Errorf("edges are %.4f px too far out, %.4f px RMS; want within %g and %g", mean, rms, tolMeanPx, tolRMSPx)
	}
}

// Two discs of radius r whose centres are r apart share (2π/3 - √3/2) r²
// (circle-circle intersection, any handbook of plane geometry; worked by hand),
// so that the lower one shows 1/3 + √3/2π = 0.6090 of itself. A straight border
// half a radius from the centre cuts off a segment of (π/3 - √3/4) r², 0.1955 of
// the disc.
func TestVisibleFraction(t *testing.T) {
	// The grid of some 5000 points places an area within about 0.3%.
	const tol = 0.004
	half := 1.0/3 + math.Sqrt(3)/(2*math.Pi)
	at := func(x, y float64, k Kind) Mark { return Mark{Kind: k, X: x, Y: y, DiameterMM: 20} }
	tests := []struct {
		name  string
		marks []Mark
		want  float64 // of the first
	}{
		{"alone", []Mark{at(0, 0, Sticker)}, 1},
		{"touching", []Mark{at(0, 0, Sticker), at(20, 0, Sticker)}, 1},
		{"half a width apart", []Mark{at(0, 0, Sticker), at(6, 8, Sticker)}, half},
		{"covered from two sides", []Mark{at(0, 0, Sticker), at(10, 0, Sticker), at(-10, 0, Sticker)}, 2*half - 1},
		{"covered", []Mark{at(0, 0, Sticker), at(0, 0, Sticker)}, 0},
		{"on top", []Mark{at(0, 0, Sticker), at(40, 0, Sticker), at(50, 0, Sticker)}, 1},
		{"shot through", []Mark{at(0, 0, Sticker), at(10, 0, Hole)}, half},
		{"a dent hides nothing", []Mark{at(0, 0, Sticker), at(10, 0, Dent)}, 1},
		{"partly off the board", []Mark{at(275, 0, Sticker)}, 1 - (math.Pi/3-math.Sqrt(3)/4)/math.Pi},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := Plain(640, 480)
			s.Camera.DistanceMM *= 1.6
			s.Marks = tt.marks
			got := TruthOf(s).Marks[0].VisibleFraction
			if !(math.Abs(got-tt.want) < tol) {
				t.Errorf("visible fraction = %.4f, want %.4f", got, tt.want)
			}
		})
	}
	t.Run("half out of the photo", func(t *testing.T) {
		s := Plain(640, 480)
		s.Marks = Stickers("red", 20, [2]float64{0, 0})
		s.Camera.AimPx.X = 320
		if got := TruthOf(s).Marks[0].VisibleFraction; !(math.Abs(got-0.5) < tol) {
			t.Errorf("visible fraction = %.4f, want 0.5", got)
		}
	})
}

// The file must hold what scorers look for, and its own camera must lead from a
// mark's millimetres to its pixels: Xc = R X + t, a pinhole, then
// p = c + (u - c)(1 + k1 ρ²) (the first term of Brown, "Decentering distortion of
// lenses", 1966), worked out here anew.
func TestWriteCase(t *testing.T) {
	dir := t.TempDir()
	s := Random(5, Varied)
	s.shrink(6)
	if err := WriteCase(dir, "one", s); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "one.json"))
	if err != nil {
		t.Fatal(err)
	}
	var keys struct {
		Camera, Conditions map[string]any
		Rings, Marks       []map[string]any
	}
	var top map[string]any
	var c caseFile
	for _, into := range []any{&keys, &top, &c} {
		if err := json.Unmarshal(text, into); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		what string
		in   map[string]any
		want []string
	}{
		{"the file", top, []string{"camera", "conditions", "face", "hopeless", "marks", "photo", "ring_used_mm", "rings", "seed", "sequence"}},
		{"a ring", keys.Rings[0], []string{"line_mm", "outer_diameter_mm"}},
		{"a mark", keys.Marks[0], []string{"colour", "diameter_mm", "kind", "on_face", "px", "srgb", "string", "visible_fraction", "x_mm", "y_mm"}},
		{"the camera", keys.Camera, []string{"R", "cx", "cy", "exif_orientation", "fx", "fy", "half_diagonal_px", "height", "k1", "t", "width"}},
	} {
		var got []string
		for k := range tt.in {
			got = append(got, k)
		}
		slices.Sort(got)
		if !slices.Equal(got, tt.want) {
			t.Errorf("keys of %s = %q, want %q", tt.what, got, tt.want)
		}
	}
	if _, ok := keys.Conditions["tilt_deg"]; !ok {
		t.Error("conditions lack tilt_deg")
	}
	if c.Photo != "one.jpg" || c.Hopeless != false || *c.RingUsedMM != s.Face.OuterMM() || len(c.Marks) != len(s.Marks) {
		t.Errorf("photo %q, hopeless %v, ring %g mm, %d marks; want one.jpg, false, %g mm, %d marks",
			c.Photo, c.Hopeless, *c.RingUsedMM, len(c.Marks), s.Face.OuterMM(), len(s.Marks))
	}
	for i, m := range c.Marks {
		k := c.Camera
		var v [3]float64
		for j := range v {
			v[j] = k.R[j][0]*m.XMM + k.R[j][1]*m.YMM + k.R[j][2]*s.bow(m.XMM) + k.T[j]
		}
		dx, dy := k.FX*v[0]/v[2], k.FY*v[1]/v[2]
		f := 1 + k.K1*(dx*dx+dy*dy)/(k.HalfDiagonalPx*k.HalfDiagonalPx)
		x, y := k.CX+f*dx, k.CY+f*dy
		if !(math.Hypot(x-m.Px[0], y-m.Px[1]) < 0.002) { // both are rounded
			t.Errorf("mark %d: the camera says (%.3f, %.3f), the file %v", i, x, y, m.Px)
		}
	}

	hopeless := Plain(64, 48)
	hopeless.Marks, hopeless.Hopeless = Stickers("red", 20, [2]float64{0, 0}), "blurred"
	if got := caseOf("x.jpg", hopeless, TruthOf(hopeless)); got.Hopeless != "blurred" || len(got.Marks) != 0 {
		t.Errorf("hopeless photo: hopeless %v, %d marks; want blurred, 0", got.Hopeless, len(got.Marks))
	}
}
