package main

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dartfall/calib"
	"dartfall/calib/boardtest"
	"dartfall/cmd/dartfall/internal/sheet"
)

var (
	manySessions = flag.Int("sessions", 0, "TestBareStringsApart: how many random sessions of three strings; 0: one plain board")
	sessionSeed  = flag.Uint64("session-seed", 1, "TestBareStringsApart: seed of the first")
)

// bareSession is a board with the marks of three strings, photographed after each from
// another place; on the last photo the board hangs turned.
type bareSession struct {
	scenes [3]boardtest.Scene
	want   [3][]boardtest.Mark // the marks of each string
}

// divided deals the marks of a scene out to three strings and puts the camera where it
// stands in views.
func divided(s boardtest.Scene, views [3]boardtest.Camera) (out bareSession) {
	for k := range out.scenes {
		n := (k + 1) * len(s.Marks) / 3
		out.want[k] = s.Marks[k*len(s.Marks)/3 : n]
		out.scenes[k] = s
		out.scenes[k].Marks = s.Marks[:n]
		out.scenes[k].Camera = views[k]
	}
	return out
}

// plainSession has twelve holes on a plain face.
func plainSession() bareSession {
	s := boardtest.Plain(1400, 1050)
	for k := range 12 {
		sin, cos := math.Sincos(2.4 * float64(k))
		r := 25 + 10*float64(k)
		s.Marks = append(s.Marks, boardtest.Mark{Kind: boardtest.Hole, X: r * cos, Y: r * sin, DiameterMM: 9 + float64(k%4)})
	}
	var views [3]boardtest.Camera
	for k := range views {
		views[k] = from(0.15+0.1*float64(k), 2*float64(k), 0.02*float64(k), nil).Camera
	}
	views[2].Roll += 2.1
	return divided(s, views)
}

// randomSession is a random bare board, seen from the places of three others.
func randomSession(seed uint64) bareSession {
	s := boardtest.Random(seed, boardtest.Bare)
	s.Face.UpMark = boardtest.UpMark{}
	var views [3]boardtest.Camera
	for k := range views {
		o := boardtest.Random(seed+1000*uint64(k+1), boardtest.Bare).Camera
		views[k] = s.Camera
		views[k].Tilt, views[k].Azimuth, views[k].AimPx = 0.7*o.Tilt, o.Azimuth, calib.Px{}
		views[k].Roll = s.Camera.Roll + 0.01*float64(k)
		views[k].DistanceMM = 1.15 * s.Camera.FillDistanceMM(s.Face.OuterMM(), 0.75)
	}
	views[2].Roll += 0.8 * float64(seed%2) // every other board is turned on the last photo
	return divided(s, views)
}

// write stores the session as a user would.
func (b bareSession) write(t *testing.T) (dir string) {
	var rings []string
	for _, r := range b.scenes[0].Face.Rings {
		rings = append(rings, fmt.Sprintf("%q", fmt.Sprintf("%.2fmm", r.OuterDiameterMM)))
	}
	file := fmt.Sprintf("distance = \"10m\"\n[board]\nrings = [%s]\n[marks]\nkind = \"bare\"\n", strings.Join(rings, ", "))
	scenes := map[string]boardtest.Scene{}
	for k, name := range []string{"North", "Reed", "Slate"} {
		photo := fmt.Sprintf("p%d", k+1)
		scenes[photo] = b.scenes[k]
		file += fmt.Sprintf("[[accessory]]\nname = %q\n[[string]]\naccessory = %q\nphoto = \"%s.jpg\"\nshots = %d\n", name, name, photo, len(b.want[k]))
	}
	return writeSession(t, file, scenes)
}

// score counts, for each string, the marks found and false, at the turn of the board's
// frame at which most are found.
func (b bareSession) score(s sheet.Summary) (found, extra [3]int) {
	best := -1
	for step := range 1440 {
		sin, cos := math.Sincos(2 * math.Pi * float64(step) / 1440)
		var f, e [3]int
		sum := 0
		for k := range b.want {
			used := map[int]bool{}
			n := 0
			for _, im := range s.Impacts {
				if im.String != s.Strings[k].Name {
					continue
				}
				n++
				x, y := float64(im.XMM), float64(im.YMM)
				for i, m := range b.want[k] {
					if !used[i] && math.Hypot(cos*x-sin*y-m.X, sin*x+cos*y-m.Y) < m.DiameterMM/2 {
						used[i] = true
						break
					}
				}
			}
			f[k], e[k] = len(used), n-len(used)
			sum += len(used)
		}
		if sum > best {
			best, found, extra = sum, f, e
		}
	}
	return found, extra
}

// measureSession returns what the program makes of a folder.
func measureSession(t *testing.T, dir string) (sheet.Summary, string) {
	t.Helper()
	_, out, errs := call("measure", dir)
	raw, err := os.ReadFile(filepath.Join(dir, "results", "summary.json"))
	if err != nil {
		t.Fatalf("%v\n%s%s", err, out, errs)
	}
	s, err := sheet.Decode(raw)
	if err != nil {
		t.Fatal(err)
	}
	return s, out + errs
}

// Bare marks of three strings are told apart by the photo that shows them first, with
// the camera elsewhere each time and the board turned on the last photo. With -sessions
// it measures random boards and prints what was found of every string:
//
//	go test ./cmd/dartfall -run TestBareStringsApart -v -timeout 0 -sessions 12
func TestBareStringsApart(t *testing.T) {
	if *manySessions == 0 {
		b := plainSession()
		s, said := measureSession(t, b.write(t))
		if found, extra := b.score(s); found != [3]int{4, 4, 4} || extra != [3]int{} {
			t.Errorf("found %v of 4 4 4, false %v\n%s", found, extra, said)
		}
		return
	}
	var marks, all, wrong int
	for k := range *manySessions {
		b := randomSession(*sessionSeed + uint64(k))
		s, said := measureSession(t, b.write(t))
		found, extra := b.score(s)
		for i, w := range b.want {
			marks += len(w)
			all += found[i]
			wrong += extra[i]
		}
		t.Logf("seed %d, %s: found %v of %d %d %d, false %v, open %q", *sessionSeed+uint64(k), b.scenes[0].Marks[0].Kind, found, len(b.want[0]), len(b.want[1]), len(b.want[2]), extra, []string{s.Strings[0].Open, s.Strings[1].Open, s.Strings[2].Open})
		if testing.Verbose() && (extra != [3]int{} || all < marks) {
			t.Log(said)
		}
	}
	t.Logf("%d of %d found, %d false", all, marks, wrong)
}
