package vision

import (
	"encoding/json"
	"flag"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/disintegration/imaging"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/calib"
	"dartfall/calib/photo"
)

var (
	zzDirs = flag.String("zz", "", "photos:truth[,photos:truth]")
	zzAuto = flag.Bool("zzauto", false, "")
	zzOnly = flag.String("zzonly", "", "")
	zzOut  = flag.String("zzout", "", "crops of wrong marks")
	zzErr  = flag.String("zzerr", "", "")
	zzV    = flag.Bool("zzv", false, "list")
	zzFrom = flag.Int("zzfrom", 0, "")
	zzTo   = flag.Int("zzto", 1<<30, "")
	zzPar  = flag.Int("zzpar", 2, "")
)

type zzCase struct {
	Photo      string
	Face       string
	RingUsedMM float64 `json:"ring_used_mm"`
	Rings      []struct {
		OuterDiameterMM float64 `json:"outer_diameter_mm"`
		LineMM          float64 `json:"line_mm"`
	}
	Marks []struct {
		Colour     string
		Kind       string
		DiameterMM float64 `json:"diameter_mm"`
		X          float64 `json:"x_mm"`
		Y          float64 `json:"y_mm"`
		Visible    float64 `json:"visible_fraction"`
		OnFace     bool    `json:"on_face"`
	}
	Camera struct {
		FX, CX, CY, K1 float64
		R              [3][3]float64
		T              [3]float64
		HalfDiagonalPx float64 `json:"half_diagonal_px"`
	}
	Conditions struct {
		Light string
		Tilt  float64 `json:"tilt_deg"`
	}
	Hopeless any
}

type zzResult struct {
	name                        string
	n, found, extra, colour, in int
	covN                        int
	ss                          float64
	dt                          time.Duration
	text                        string
	light                       string
}

func TestZZ(t *testing.T) {
	if *zzDirs == "" {
		t.Skip()
	}
	var jobs [][2]string
	for _, d := range strings.Split(*zzDirs, ",") {
		p := strings.SplitN(d, ":", 2)
		if len(p) == 1 {
			p = append(p, p[0])
		}
		fs, _ := filepath.Glob(filepath.Join(p[1], "*.json"))
		slices.Sort(fs)
		for i, f := range fs {
			if i >= *zzFrom && i < *zzTo {
				jobs = append(jobs, [2]string{p[0], f})
			}
		}
	}
	out := make([]zzResult, len(jobs))
	var wg sync.WaitGroup
	sem := make(chan bool, *zzPar)
	for i, j := range jobs {
		wg.Add(1)
		sem <- true
		go func() {
			defer func() { <-sem; wg.Done() }()
			out[i] = zzOne(j[0], j[1])
		}()
	}
	wg.Wait()
	var a zzResult
	perfect, boards := 0, 0
	for _, r := range out {
		if r.name == "" {
			continue
		}
		boards++
		if r.found == r.n && r.extra == 0 && r.colour == r.found {
			perfect++
		}
		fmt.Printf("%-14s n %3d  found %3d  extra %2d  colour %3d  rms %.3f  cov %2d/%2d  %4d ms  %s\n", r.name, r.n, r.found, r.extra, r.colour, math.Sqrt(r.ss/float64(max(1, r.found))), r.in, r.covN, r.dt.Milliseconds(), r.light)
		if *zzV {
			fmt.Print(r.text)
		}
		a.n += r.n
		a.found += r.found
		a.extra += r.extra
		a.colour += r.colour
		a.in += r.in
		a.covN += r.covN
		a.ss += r.ss
		a.dt += r.dt
	}
	fmt.Printf("ALL boards %d marks %d recall %.4f precision %.4f colour %.4f rms %.3f cover %.3f perfect %d  mean %d ms\n", boards, a.n, float64(a.found)/float64(a.n), float64(a.found)/float64(a.found+a.extra),
		float64(a.colour)/float64(a.found), math.Sqrt(a.ss/float64(a.found)), float64(a.in)/float64(a.covN), perfect, a.dt.Milliseconds()/int64(max(1, boards)))
}

func zzOne(dir, file string) (res zzResult) {
	var c zzCase
	b, _ := os.ReadFile(file)
	if err := json.Unmarshal(b, &c); err != nil {
		panic(err)
	}
	if h, _ := c.Hopeless.(bool); c.Hopeless != nil && (h || c.Hopeless != any(false)) {
		return
	}
	if len(c.Marks) == 0 || c.Marks[0].Kind != "sticker" {
		return
	}
	name := strings.TrimSuffix(filepath.Base(c.Photo), ".jpg")
	if *zzOnly != "" && !slices.Contains(strings.Split(*zzOnly, ","), name) {
		return
	}
	p, err := photo.Load(filepath.Join(dir, c.Photo), photo.Options{DecodeJPEG: DecodeJPEG})
	if err != nil {
		panic(err)
	}
	k := c.Camera
	K := [9]float64{k.FX, 0, k.CX, 0, k.FX, k.CY, 0, 0, 1}
	M := [9]float64{k.R[0][0], k.R[0][1], k.T[0], k.R[1][0], k.R[1][1], k.T[1], k.R[2][0], k.R[2][1], k.T[2]}
	var h [9]float64
	for i := range 3 {
		for j := range 3 {
			for l := range 3 {
				h[3*i+j] += K[3*i+l] * M[3*l+j]
			}
		}
	}
	rect, ok := calib.FromHomography(h, calib.Lens{CentrePx: calib.Px{X: k.CX, Y: k.CY}, ScalePx: k.HalfDiagonalPx, K1: k.K1})
	if !ok {
		panic(name)
	}
	var face []Circle
	for _, r := range c.Rings {
		face = append(face, Circle{RadiusMM: r.OuterDiameterMM / 2, InnerMM: r.OuterDiameterMM/2 - r.LineMM, Seen: 1})
	}
	var o MarkOptions
	if !*zzAuto {
		one := true
		for _, m := range c.Marks {
			if !slices.Contains(o.Colours, m.Colour) {
				o.Colours = append(o.Colours, m.Colour)
			}
			one = one && m.DiameterMM == c.Marks[0].DiameterMM
		}
		slices.Sort(o.Colours)
		if one {
			o.SizeMM = c.Marks[0].DiameterMM
		}
	}
	t0 := time.Now()
	marks, flat, warnings := findMarks(p.Image, rect, face, o)
	res = zzResult{name: name, dt: time.Since(t0), light: fmt.Sprint(c.Face, " ", c.Conditions.Light, " ", o.Colours, c.Marks[0].DiameterMM)}
	var text strings.Builder
	for _, w := range warnings {
		fmt.Fprintf(&text, "   warn %s\n", w)
	}
	type pair struct {
		d    float64
		i, j int
	}
	var ps []pair
	for i, m := range c.Marks {
		for j, f := range marks {
			if d := math.Hypot(f.Pos.X-m.X, f.Pos.Y-m.Y); d <= max(6, m.DiameterMM/2) {
				ps = append(ps, pair{d, i, j})
			}
		}
	}
	slices.SortFunc(ps, func(a, b pair) int {
		va, vb := c.Marks[a.i].Visible >= 0.25, c.Marks[b.i].Visible >= 0.25
		if va != vb {
			if va {
				return -1
			}
			return 1
		}
		if a.d < b.d {
			return -1
		}
		return 1
	})
	ti, fj := map[int]bool{}, map[int]bool{}
	crop := func(what string, x r2.Vec, d float64) {
		if *zzOut == "" {
			return
		}
		os.MkdirAll(*zzOut, 0o755)
		q := flat.ToFlat(x)
		s := int(1.8 * d * flat.PxPerMM)
		im := imaging.Crop(flat.Image, image.Rect(int(q.X)-s, int(q.Y)-s, int(q.X)+s, int(q.Y)+s))
		im = imaging.Resize(im, 200, 0, imaging.Lanczos)
		f, _ := os.Create(filepath.Join(*zzOut, fmt.Sprintf("%s-%s-%.0f-%.0f.png", name, what, x.X, x.Y)))
		png.Encode(f, im)
		f.Close()
	}
	for _, q := range ps {
		if ti[q.i] || fj[q.j] {
			continue
		}
		ti[q.i], fj[q.j] = true, true
		m, f := c.Marks[q.i], marks[q.j]
		if m.Visible < 0.25 {
			continue
		}
		res.n++
		res.found++
		res.ss += q.d * q.d
		if m.Colour == f.Colour {
			res.colour++
		} else {
			fmt.Fprintf(&text, "   COLOUR %s read as %s at %.1f %.1f\n", m.Colour, f.Colour, m.X, m.Y)
		}
		dx, dy := f.Pos.X-m.X, f.Pos.Y-m.Y
		det := f.CovMM2[0]*f.CovMM2[2] - f.CovMM2[1]*f.CovMM2[1]
		z := (dx*dx*f.CovMM2[2] - 2*dx*dy*f.CovMM2[1] + dy*dy*f.CovMM2[0]) / det
		res.covN++
		if *zzErr != "" {
			lo, hi := rect.PxPerMM(f.Pos)
			zzMu.Lock()
			ef, _ := os.OpenFile(*zzErr, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
			fmt.Fprintf(ef, "%s %.4f %.4f %.6g %.6g %.6g %.4f %.4f %.4f %.3f %.3f %.2f %s %.1f %.1f %v\n", name, dx, dy, f.CovMM2[0], f.CovMM2[1], f.CovMM2[2], lo, hi, f.DiameterMM, f.Visible, m.Visible, f.Confidence, f.Colour, m.X, m.Y, f.Flags)
			ef.Close()
			zzMu.Unlock()
		}
		if z < 5.991 {
			res.in++
		} else if *zzV && z > 25 {
			fmt.Fprintf(&text, "   z %.1f d %.2f visible %.2f flags %v cov %.3g  at %.1f %.1f\n", math.Sqrt(z), q.d, m.Visible, f.Flags, math.Sqrt(f.CovMM2[0]), m.X, m.Y)
		}
	}
	var all []*disc
	var ss *search
	for i, m := range c.Marks {
		if !ti[i] && m.Visible >= 0.25 {
			if all == nil {
				ss, _, _ = newSearch(p.Image, rect, face, o)
				all = ss.candidates()
				sure := ss.choose(all, 0.8)
				ss.groupColours(sure)
				for _, g := range ss.groups {
					lin := linearOf(g.mean)
					w := ss.whiteGain()
					for k := range 3 {
						lin[k] *= w[k]
					}
					fmt.Fprintf(&text, "   group %q n %d lin %.2f dist %v\n", g.name, len(g.discs), lin, nameDistances(lin))
				}
			}
			near := 1e9
			var nd *disc
			for _, d := range all {
				if q := math.Hypot(d.pos.X-m.X, d.pos.Y-m.Y); q < near {
					near, nd = q, d
				}
			}
			if nd != nil {
				fmt.Fprintf(&text, "   near %.1f of %d chance %.3f fitted %v r %.2f (%.2f px) signs %.2f\n", near, len(all), nd.chance, nd.fitted, nd.radius, nd.nominalMM*ss.flat.PxPerMM, ss.signs(nd))
			}
			res.n++
			fmt.Fprintf(&text, "   MISSED %s d %.0f vis %.2f at %.1f %.1f onface %v\n", m.Colour, m.DiameterMM, m.Visible, m.X, m.Y, m.OnFace)
			crop("missed", r2.Vec{X: m.X, Y: m.Y}, m.DiameterMM)
		}
	}
	for j, f := range marks {
		if !fj[j] {
			res.extra++
			fmt.Fprintf(&text, "   EXTRA %s d %.1f conf %.2f vis %.2f at %.1f %.1f %v\n", f.Colour, f.DiameterMM, f.Confidence, f.Visible, f.Pos.X, f.Pos.Y, f.Flags)
			crop("extra", f.Pos, f.DiameterMM)
		}
	}
	res.text = text.String()
	return res
}
