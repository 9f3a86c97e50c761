package lens

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"dartfall/calib"
	"dartfall/calib/photo"
)

var phone = Profile{
	Format: Format, Make: "Invented", Model: "One", Focal35MM: 26, WidthPx: 4000, HeightPx: 3000, FocalPx: 3000, FocalSigmaPx: 5,
	CentrePx: [2]float64{12, -7}, K1: -0.04, K2: 0.01, K1Sigma: 0.001, RMSPx: 0.2, Photos: 12, From: "chessboards",
}

func TestTextReadsBack(t *testing.T) {
	text, err := phone.Text()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := Parse(text); err != nil || got != phone {
		t.Errorf("Parse(Text) = %+v, %v, want %+v\n%s", got, err, phone, text)
	}
}

// A profile goes with its own camera, size and zoom, held either way, and no other.
func TestMismatch(t *testing.T) {
	own := photo.Camera{Make: "Invented", Model: "One", Focal35MM: 26, Orientation: 1}
	for _, c := range []struct {
		name   string
		change func(c *photo.Camera)
		w, h   int
		say    string
	}{
		{"its own", func(*photo.Camera) {}, 4000, 3000, ""},
		{"held upright", func(c *photo.Camera) { c.Orientation = 6 }, 3000, 4000, ""},
		{"another phone", func(c *photo.Camera) { c.Model = "Two" }, 4000, 3000, "Invented Two"},
		{"no data", func(c *photo.Camera) { *c = photo.Camera{} }, 4000, 3000, "an unnamed camera"},
		{"another size", func(*photo.Camera) {}, 2000, 1500, "2000 × 1500"},
		{"upright pixels without the tag", func(*photo.Camera) {}, 3000, 4000, "3000 × 4000"},
		{"another lens of the phone", func(c *photo.Camera) { c.Focal35MM = 13 }, 4000, 3000, "13"},
	} {
		cam := own
		c.change(&cam)
		if got := phone.Mismatch(cam, c.w, c.h); (got == "") != (c.say == "") || !strings.Contains(got, c.say) {
			t.Errorf("%s: %q, want a word about %q", c.name, got, c.say)
		}
	}
}

// The lens of an upright photo is that of the stored one, turned as the pixels are.
func TestLensTurnsWithThePhoto(t *testing.T) {
	for o := 1; o <= 8; o++ {
		l := phone.Lens(o)
		q := phone
		q.SetLens(l, o)
		if q != phone {
			t.Errorf("orientation %d: %+v comes back as %+v", o, phone.CentrePx, q.CentrePx)
		}
	}
	// Tag 6: the stored picture is turned clockwise, so its right becomes down.
	want := calib.Px{X: 2999./2 + 7, Y: 3999./2 + 12}
	if got := phone.Lens(6).CentrePx; !(got.Sub(want).Norm() <= 1e-9) {
		t.Errorf("centre with tag 6 = %v, want %v", got, want)
	}
}

func TestParseRefuses(t *testing.T) {
	good, _ := phone.Text()
	for _, c := range []struct{ from, to, say string }{
		{"dartfall-lens-1", "dartfall-lens-9", "format"},
		{"k1 = -0.04", "k1 = -40.0", "no camera's distortion"},
		{"k1 = -0.04", "k1 = nan", "not finite"},
		{"k1_sigma = 0.001", "k1_sigma = 0.0", "k1_sigma"},
		{"width_px = 4000", "width_px = 0", "size"},
		{"model =", "modle =", "not a lens profile"},
	} {
		text := bytes.Replace(good, []byte(c.from), []byte(c.to), 1)
		if bytes.Equal(text, good) {
			t.Fatalf("nothing to replace: %q in\n%s", c.from, good)
		}
		if _, err := Parse(text); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("with %s: %v, want a word about %q", c.to, err, c.say)
		}
	}
}

func FuzzParse(f *testing.F) {
	good, _ := phone.Text()
	f.Add(good)
	f.Add([]byte("format = \"dartfall-lens-1\"\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Parse(b)
		if err != nil {
			return
		}
		if l := p.Lens(1); math.IsNaN(l.K1) || !(l.ScalePx > 0) {
			t.Fatalf("a profile that was let through gives the lens %+v", l)
		}
		text, err := p.Text()
		if err != nil {
			t.Fatal(err)
		}
		if q, err := Parse(text); err != nil || q != p {
			t.Fatalf("%+v comes back as %+v, %v", p, q, err)
		}
	})
}
