package boardtest

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"sync"
	"testing"
)

var (
	boardsDir  = flag.String("boards", "", "write random boards with their truth into this directory")
	boardsN    = flag.Int("many", 20, "with -boards: how many")
	boardsSeed = flag.Uint64("seed", 1, "with -boards: seed of the first board")
	boardsOf   = flag.String("difficulty", "varied", "with -boards: clear, varied, crowded, bare or hopeless")
)

// TestWriteBoards is the generator behind evaluations over many fresh boards:
//
//	go test ./calib/boardtest -run TestWriteBoards -boards DIR -many 200
//
// Without -boards it writes one small board of each difficulty and reads nothing
// back: that the files can be written is all it claims.
func TestWriteBoards(t *testing.T) {
	if *boardsDir == "" {
		for _, of := range []Difficulty{Clear, Varied, Bare, Hopeless, Crowded} {
			s := Random(3, of)
			s.shrink(8)
			if err := WriteCase(t.TempDir(), "small", s); err != nil {
				t.Errorf("WriteCase(%v): %v", of, err)
			}
		}
		return
	}
	of, ok := map[string]Difficulty{"clear": Clear, "varied": Varied, "bare": Bare, "hopeless": Hopeless, "crowded": Crowded}[*boardsOf]
	if !ok {
		t.Fatalf("-difficulty %q: want clear, varied, crowded, bare or hopeless", *boardsOf)
	}
	if err := os.MkdirAll(*boardsDir, 0o755); err != nil {
		t.Fatal(err)
	}
	seeds := make(chan uint64)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := range seeds {
				name := fmt.Sprintf("%s%04d", *boardsOf, seed)
				if err := WriteCase(*boardsDir, name, Random(seed, of)); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for i := range *boardsN {
		seeds <- *boardsSeed + uint64(i)
	}
	close(seeds)
	wg.Wait()
}

// shrink makes the photo smaller without moving anything in it.
func (s *Scene) shrink(by int) {
	f := 1 / float64(by)
	c := &s.Camera
	c.Width, c.Height = c.Width/by, c.Height/by
	c.FocalPx *= f
	c.AimPx, c.PrincipalPx = c.AimPx.Scale(f), c.PrincipalPx.Scale(f)
}
