package boardtest

import (
	"bytes"
	"math"
	"reflect"
	"testing"
)

func TestRandomIsFair(t *testing.T) {
	for _, of := range []Difficulty{Clear, Varied, Bare, Crowded} {
		kinds, own, cut := map[string]int{}, 0, 0
		for seed := range uint64(400) {
			s := Random(seed, of)
			if err := s.check(); err != nil {
				t.Errorf("Random(%d, %d): %v", seed, of, err)
				continue
			}
			kinds[s.Face.Kind]++
			if len(s.Marks) < 2 {
				t.Errorf("Random(%d, %d): %d marks", seed, of, len(s.Marks))
			}
			if s.planeNeedsFocal() && s.JPEG.Focal35MM == 0 {
				t.Errorf("Random(%d, %d): one ring, no centre and no focal length", seed, of)
			}
			inFrame := s.outerRingInFrame()
			if inFrame < 1 {
				cut++
			}
			if !(inFrame >= 0.6) || of == Clear && (inFrame < 1 || len(s.Face.Rings) < 3 || s.Camera.Tilt > math.Pi/4) {
				t.Errorf("Random(%d, %d): %.2f of the outer ring in the photo, %d rings, tilt %.2f", seed, of, inFrame, len(s.Face.Rings), s.Camera.Tilt)
			}
			outside := s.ground()
			for i, r := range s.Face.Rings {
				if r.LineMM > 0 && apart(r.Line, outside) < 15 {
					t.Errorf("Random(%d, %d): the outer edge of ring %d does not show", seed, of, i)
				}
				if r.Fill != nil {
					outside = *r.Fill
				}
			}
			for i, m := range s.Marks {
				if math.Abs(m.X)+m.DiameterMM/2 > s.Board.WidthMM/2 || math.Abs(m.Y)+m.DiameterMM/2 > s.Board.HeightMM/2 {
					t.Errorf("Random(%d, %d): mark %d hangs over the board", seed, of, i)
				}
				if px := m.DiameterMM * s.Camera.FocalPx / s.Camera.DistanceMM; !(px >= minMarkPx-1e-9) {
					t.Errorf("Random(%d, %d): mark %d is %.1f px wide", seed, of, i, px)
				}
				if (m.Kind == Sticker) == (of == Bare) {
					t.Errorf("Random(%d, %d): mark %d is a %s", seed, of, i, m.Kind)
				}
				least := 100.0
				for _, c := range s.surfaces() {
					least = min(least, apart(c, m.Colour))
				}
				if m.Kind == Sticker && least < 2*minApart {
					own++
				}
				if m.Kind == Sticker && !(least >= minApart) {
					t.Errorf("Random(%d, %d): mark %d cannot be told from the board", seed, of, i)
				}
			}
		}
		want := 8
		if of == Clear {
			want = 6
		}
		if len(kinds) != want {
			t.Errorf("difficulty %d: kinds of face %v, want %d", of, kinds, want)
		}
		if of == Varied && (own == 0 || cut == 0) {
			t.Errorf("%d stickers on nearly their own colour, %d rings run out of the photo; want some", own, cut)
		}
	}
}

func TestRandomIsReproducible(t *testing.T) {
	for _, of := range []Difficulty{Clear, Varied, Bare, Hopeless, Crowded} {
		a, b, c := Random(11, of), Random(11, of), Random(12, of)
		if !reflect.DeepEqual(a, b) {
			t.Errorf("Random(11, %d) differs from itself", of)
		}
		if reflect.DeepEqual(a, c) {
			t.Errorf("Random(11, %d) and Random(12, %[1]d) are the same", of)
		}
	}
	s := Random(11, Varied)
	s.shrink(8)
	a, ta := Render(s)
	b, tb := Render(s)
	if !bytes.Equal(a.Pix, b.Pix) || !reflect.DeepEqual(ta, tb) {
		t.Error("one scene gave two photos")
	}
	s.Seed++
	if c, _ := Render(s); bytes.Equal(a.Pix, c.Pix) {
		t.Error("the seed does not reach the photo")
	}
}
