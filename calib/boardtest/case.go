package boardtest

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"time"
)

// caseFile is the truth of one photo as scorers read it.
type caseFile struct {
	Photo      string     `json:"photo"`
	Face       *string    `json:"face"`
	Rings      []caseRing `json:"rings"`
	RingUsedMM *float64   `json:"ring_used_mm"`
	Marks      []caseMark `json:"marks"`
	Camera     caseCamera `json:"camera"`
	Conditions conditions `json:"conditions"`
	Sequence   *string    `json:"sequence"`
	Hopeless   any        `json:"hopeless"` // false, or why
	Seed       uint64     `json:"seed"`
}

type caseRing struct {
	OuterDiameterMM float64 `json:"outer_diameter_mm"`
	LineMM          float64 `json:"line_mm"`
}

type caseMark struct {
	String          int        `json:"string"`
	Colour          string     `json:"colour"`
	SRGB            *[3]int    `json:"srgb"`
	Kind            Kind       `json:"kind"`
	DiameterMM      float64    `json:"diameter_mm"`
	XMM             float64    `json:"x_mm"`
	YMM             float64    `json:"y_mm"`
	VisibleFraction float64    `json:"visible_fraction"`
	OnFace          bool       `json:"on_face"`
	Px              [2]float64 `json:"px"`
}

type caseCamera struct {
	FX             float64       `json:"fx"`
	FY             float64       `json:"fy"`
	CX             float64       `json:"cx"`
	CY             float64       `json:"cy"`
	K1             float64       `json:"k1"`
	R              [3][3]float64 `json:"R"`
	T              [3]float64    `json:"t"`
	Width          int           `json:"width"`
	Height         int           `json:"height"`
	Orientation    int           `json:"exif_orientation"`
	HalfDiagonalPx float64       `json:"half_diagonal_px"`
}

type conditions struct {
	TiltDeg          float64    `json:"tilt_deg"`
	RollDeg          float64    `json:"roll_deg"`
	AzimuthDeg       float64    `json:"azimuth_deg"`
	Fill             float64    `json:"fill"`
	OuterRingInFrame float64    `json:"outer_ring_in_frame"`
	Light            string     `json:"light"`
	Environment      string     `json:"environment"`
	Backing          string     `json:"backing"`
	Glare            bool       `json:"glare"`
	WBGain           [3]float64 `json:"wb_gain"`
	EV               float64    `json:"ev"`
	BlurPx           float64    `json:"blur_px"`
	MotionPx         float64    `json:"motion_px"`
	Noise            [2]float64 `json:"noise"`
	Vignette         float64    `json:"vignette"`
	Sharpen          float64    `json:"sharpen"`
	JPEGQ            int        `json:"jpeg_q"`
	F35              float64    `json:"f35"`
	EXIF             bool       `json:"exif"`
	Megapixels       float64    `json:"megapixels"`
	BowMM            float64    `json:"bow_mm"`
	StretchX         float64    `json:"stretch_x"`
	StretchY         float64    `json:"stretch_y"`
}

// WriteCase renders the scene to dir/NAME.jpg and its truth to dir/NAME.json.
//
// The truth holds, in upright photo pixels and board millimetres: photo, face,
// rings (outer_diameter_mm, line_mm), ring_used_mm (the outermost, null without a
// face), marks, camera (fx, fy, cx, cy, k1 over half_diagonal_px, R and t from
// board to camera), conditions, and hopeless (false, or a word that says why).
// The marks of a hopeless photo are left out: no answer about them is right.
func WriteCase(dir, name string, s Scene) error {
	img, truth := Render(s)
	var b bytes.Buffer
	if err := EncodeJPEG(&b, img, s.JPEG); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, name+".jpg"), b.Bytes(), 0o644); err != nil {
		return err
	}
	text, err := json.MarshalIndent(caseOf(name+".jpg", s, truth), "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, name+".json"), append(text, '\n'), 0o644)
}

func caseOf(photo string, s Scene, t Truth) caseFile {
	c := caseFile{Photo: photo, Rings: []caseRing{}, Marks: []caseMark{}, Hopeless: false, Seed: s.Seed}
	if s.Hopeless != "" {
		c.Hopeless = s.Hopeless
	}
	if d := s.Face.OuterMM(); d > 0 {
		c.Face, c.RingUsedMM = &s.Face.Kind, &d
		for _, r := range t.Rings {
			c.Rings = append(c.Rings, caseRing{r.OuterDiameterMM, r.LineMM})
		}
	}
	for _, m := range t.Marks {
		if s.Hopeless != "" {
			break
		}
		cm := caseMark{
			String: max(m.String, 1), Colour: m.Name, Kind: m.Kind, DiameterMM: m.DiameterMM, XMM: round(m.X, 4), YMM: round(m.Y, 4),
			VisibleFraction: round(m.VisibleFraction, 4), OnFace: m.OnFace, Px: [2]float64{round(m.Px.X, 3), round(m.Px.Y, 3)},
		}
		if m.Kind == Sticker {
			cm.SRGB = &[3]int{int(m.Colour.R), int(m.Colour.G), int(m.Colour.B)}
		}
		c.Marks = append(c.Marks, cm)
	}
	cam := s.Camera
	pp := cam.principal()
	c.Camera = caseCamera{
		FX: cam.FocalPx, FY: cam.FocalPx, CX: pp.X, CY: pp.Y, K1: cam.K1, R: t.Rotation, T: t.ShiftMM,
		Width: cam.Width, Height: cam.Height, Orientation: max(s.JPEG.Orientation, 1), HalfDiagonalPx: cam.halfDiagonal(),
	}
	tint := s.Light.Tint
	if tint == ([3]float64{}) {
		tint = [3]float64{1, 1, 1}
	}
	light := s.Light.Name
	if s.Light.Shadow != "" {
		light += " " + s.Light.Shadow
	}
	backing := s.Board.Texture
	if backing == "" {
		backing = "plain"
	}
	c.Conditions = conditions{
		TiltDeg: round(deg(cam.Tilt), 2), RollDeg: round(deg(cam.Roll), 1), AzimuthDeg: round(deg(cam.Azimuth), 1),
		Fill:             round(cam.FocalPx*s.Face.OuterMM()/cam.DistanceMM/float64(min(cam.Width, cam.Height)), 3),
		OuterRingInFrame: round(t.OuterRingInFrame, 3),
		Light:            light, Environment: s.Surroundings.Wall, Backing: backing, Glare: s.Light.Glare > 0,
		WBGain: tint, EV: s.Imaging.ExposureEV, BlurPx: s.Imaging.BlurPx, MotionPx: s.Imaging.MotionPx,
		Noise: [2]float64{s.Imaging.ShotSD, s.Imaging.ReadSD}, Vignette: s.Imaging.Vignette, Sharpen: s.Imaging.Sharpen,
		JPEGQ: s.JPEG.Quality, F35: math.Round(cam.Focal35MM()), EXIF: s.JPEG.Focal35MM > 0,
		Megapixels: round(float64(cam.Width*cam.Height)/1e6, 2),
		BowMM:      s.Board.BowMM, StretchX: s.Face.StretchX, StretchY: s.Face.StretchY,
	}
	return c
}

func deg(rad float64) float64 { return rad * 180 / math.Pi }

// round rounds to the given number of decimals.
func round(v float64, decimals int) float64 {
	f := math.Pow(10, float64(decimals))
	return math.Round(v*f) / f
}

// day is the invented day on which all boards were photographed.
var day = time.Date(2031, 5, 17, 14, 0, 0, 0, time.UTC)
