package batch

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dartfall/cmd/dartfall/internal/sheet"
)

// folder makes n files that only look like photos.
func folder(t testing.TB, n int) (dir string, list []Photo) {
	t.Helper()
	dir = t.TempDir()
	for i := range n {
		write(t, filepath.Join(dir, fmt.Sprintf("p%d.jpg", i)), fmt.Sprint("pixels ", i))
	}
	list, err := List(dir)
	if err != nil {
		t.Fatal(err)
	}
	return dir, list
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// measured is a result that depends on the file's content alone.
func measured(path string) (sheet.Photo, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return sheet.Photo{}, err
	}
	sum := sha256.Sum256(b)
	p := sheet.Photo{Name: filepath.Base(path), SHA256: hex.EncodeToString(sum[:]), State: sheet.Measured}
	for i := range int(sum[0]) % 5 {
		p.Marks = append(p.Marks, sheet.Impact{ID: fmt.Sprint(i), XMM: sheet.Number(sum[i+1]) / 7})
	}
	return p, nil
}

func plainMeasure(_ context.Context, path string) (sheet.Photo, error) { return measured(path) }

func encode(t testing.TB, photos []sheet.Photo) string {
	t.Helper()
	b, err := sheet.Encode(sheet.Summary{Photos: photos})
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func run(t testing.TB, list []Photo, m Measure, opts Options) []sheet.Photo {
	t.Helper()
	got, err := Run(context.Background(), list, m, opts)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func names(list []Photo) (s []string) {
	for _, p := range list {
		s = append(s, p.Name)
	}
	return s
}

func TestListOrdersLikeAPerson(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{"IMG_10.JPG", "IMG_9.jpg", "IMG_010.heic", "a.PNG", "note.txt", ".hidden.jpg", "results.jpg.bak"} {
		write(t, filepath.Join(dir, n), "x")
	}
	if err := os.Mkdir(filepath.Join(dir, "folder.jpg"), 0o755); err != nil {
		t.Fatal(err)
	}
	list, err := List(dir)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"IMG_9.jpg", "IMG_10.JPG", "IMG_010.heic", "a.PNG"}; !slices.Equal(names(list), want) {
		t.Errorf("List = %q, want %q", names(list), want)
	}
	if _, err := List(filepath.Join(dir, "missing")); err == nil {
		t.Error("List of no folder = nil, want an error")
	}
}

func TestRunKeepsOrderAndGoesOnPastBadPhotos(t *testing.T) {
	_, list := folder(t, 12)
	list = append(list, Photo{Name: "gone.jpg", Path: "gone.jpg"})
	m := func(ctx context.Context, path string) (sheet.Photo, error) {
		switch filepath.Base(path) {
		case "p3.jpg":
			return sheet.Photo{}, errors.New("p3.jpg: the file is damaged")
		case "p4.jpg":
			panic("index out of range")
		case "p5.jpg":
			p, err := measured(path)
			p.State, p.Reason, p.Advice = sheet.Refused, "no rings found", "show the whole board"
			return p, err
		}
		return measured(path)
	}
	for _, store := range []string{"", t.TempDir()} {
		got := run(t, list, m, Options{Workers: 4, Store: store})
		var states []string
		for i, p := range got {
			if p.Name != list[i].Name {
				t.Errorf("result %d is of %s, want %s", i, p.Name, list[i].Name)
			}
			states = append(states, p.State[:1])
		}
		if s := strings.Join(states, ""); s != "mmmffrmmmmmmf" {
			t.Errorf("states = %s, want mmmffrmmmmmmf", s)
		}
		var b bytes.Buffer
		if !Closing(&b, got) {
			t.Error("Closing = false, want true")
		}
		for _, want := range []string{"4 of 13 photos", "p3.jpg: the file is damaged\n", "p4.jpg: the program stumbled", "p5.jpg: no rings found\n      show the whole board", "gone.jpg: "} {
			if !strings.Contains(b.String(), want) {
				t.Errorf("closing list lacks %q:\n%s", want, b.String())
			}
		}
	}
	var one bytes.Buffer
	Closing(&one, []sheet.Photo{{Name: "a.jpg", State: sheet.Failed, Reason: "no photo"}})
	if want := "the photo could not be measured:\n  a.jpg: no photo\n"; one.String() != want {
		t.Errorf("of one photo: %q, want %q", one.String(), want)
	}
	if Closing(&bytes.Buffer{}, []sheet.Photo{{State: sheet.Measured}, {State: sheet.Rough}}) {
		t.Error("Closing of good photos = true, want false")
	}
}

func TestRunMeasuresOnlyWhatChanged(t *testing.T) {
	dir, list := folder(t, 6)
	store := filepath.Join(dir, "results", "cache")
	var mu sync.Mutex
	var seen []string
	m := func(ctx context.Context, path string) (sheet.Photo, error) {
		mu.Lock()
		seen = append(seen, filepath.Base(path))
		mu.Unlock()
		if filepath.Base(path) == "p5.jpg" {
			return sheet.Photo{}, errors.New("card pulled out")
		}
		return measured(path)
	}
	opts := Options{Workers: 1, Store: store, Settings: "ring=800mm", Version: "1"}
	firstRun := encode(t, run(t, list, m, opts))
	for _, step := range []struct {
		name string
		do   func()
		want []string
	}{
		{"nothing but the failed one", func() {}, []string{"p5.jpg"}},
		{"content", func() { write(t, list[2].Path, "other pixels") }, []string{"p2.jpg", "p5.jpg"}},
		{"content back", func() { write(t, list[2].Path, "pixels 2") }, []string{"p5.jpg"}},
		{"half a result", func() {
			files, _ := filepath.Glob(filepath.Join(store, "*.json"))
			for _, f := range files {
				b, _ := os.ReadFile(f)
				if bytes.Contains(b, []byte(`"p1.jpg"`)) {
					write(t, f, string(b[:len(b)/2]))
				}
			}
		}, []string{"p1.jpg", "p5.jpg"}},
		{"picture gone", func() {
			opts.Valid = func(p sheet.Photo) bool { return p.Name != "p3.jpg" }
		}, []string{"p3.jpg", "p5.jpg"}},
		{"settings", func() { opts.Valid = nil; opts.Settings = "ring=801mm" }, names(list)},
		{"version", func() { opts.Version = "2" }, names(list)},
	} {
		t.Run(step.name, func(t *testing.T) {
			step.do()
			seen = nil
			got := encode(t, run(t, list, m, opts))
			if !slices.Equal(seen, step.want) {
				t.Errorf("measured %q, want %q", seen, step.want)
			}
			if step.name != "content" && got != firstRun {
				t.Errorf("results differ from the first run's:\n%s", got)
			}
		})
	}
}

func TestShardsGiveTheSameBytes(t *testing.T) {
	dir, list := folder(t, 11)
	whole := encode(t, run(t, list, plainMeasure, Options{}))
	store := filepath.Join(dir, "results", "cache")
	count := 0
	for i := range 4 {
		part := Shard{i + 1, 4}.Of(list)
		count += len(part)
		run(t, part, plainMeasure, Options{Store: store})
	}
	if count != len(list) {
		t.Errorf("shards hold %d photos, want %d", count, len(list))
	}
	never := func(context.Context, string) (sheet.Photo, error) { return sheet.Photo{}, errors.New("measured again") }
	if got := encode(t, run(t, list, never, Options{Store: store})); got != whole {
		t.Errorf("merged shards differ from one run:\n%s", got)
	}
}

func TestParseShard(t *testing.T) {
	if got, err := ParseShard("3/8"); err != nil || got != (Shard{3, 8}) {
		t.Errorf("ParseShard(3/8) = %v, %v", got, err)
	}
	for _, bad := range []string{"", "3", "0/8", "9/8", "3/0", "-1/2", "3/8x", "a/b", "3/8/2"} {
		if got, err := ParseShard(bad); err == nil {
			t.Errorf("ParseShard(%q) = %v, want an error", bad, got)
		}
	}
}

func TestCancelStopsAndResumes(t *testing.T) {
	dir, list := folder(t, 30)
	store := filepath.Join(dir, "cache")
	ctx, cancel := context.WithCancel(context.Background())
	var calls atomic.Int32
	m := func(_ context.Context, path string) (sheet.Photo, error) {
		if calls.Add(1) == 5 {
			cancel()
		}
		return measured(path)
	}
	if _, err := Run(ctx, list, m, Options{Workers: 2, Store: store}); !errors.Is(err, context.Canceled) {
		t.Fatalf("Run = %v, want context.Canceled", err)
	}
	if n := calls.Load(); n > 8 {
		t.Errorf("%d photos measured after cancelling at the 5th", n)
	}
	if marks, _ := filepath.Glob(filepath.Join(store, "*.begun")); len(marks) > 0 {
		t.Errorf("marks left behind: %v", marks)
	}
	before := calls.Load()
	got := run(t, list, m, Options{Workers: 2, Store: store})
	if n := calls.Load() - before; int(n) >= len(list) {
		t.Errorf("resumed run measured %d photos, want fewer than %d", n, len(list))
	}
	if want := encode(t, run(t, list, plainMeasure, Options{})); encode(t, got) != want {
		t.Error("resumed run differs from one uninterrupted")
	}
}

// The child measures slowly until it is killed, or dies by itself on one photo.
func TestMain(m *testing.M) {
	if dir := os.Getenv("BATCH_TEST_CHILD"); dir != "" {
		list, err := List(dir)
		if err != nil {
			panic(err)
		}
		slow := func(_ context.Context, path string) (sheet.Photo, error) {
			if filepath.Base(path) == os.Getenv("BATCH_TEST_DIES_ON") {
				os.Exit(9)
			}
			fmt.Println("measured")
			time.Sleep(5 * time.Millisecond)
			return measured(path)
		}
		_, err = Run(context.Background(), list, slow, Options{Workers: 1, Store: filepath.Join(dir, "cache")})
		if err != nil {
			panic(err)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(dir, diesOn string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), "BATCH_TEST_CHILD="+dir, "BATCH_TEST_DIES_ON="+diesOn)
	return c
}

func TestKillLosesNothing(t *testing.T) {
	dir, list := folder(t, 60)
	store := filepath.Join(dir, "cache")
	kept := 0
	for range 3 {
		c := child(dir, "")
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		one := make([]byte, len("measured\n"))
		for range 6 { // let six photos begin, then kill -9
			if _, err := out.Read(one); err != nil {
				t.Fatal(err)
			}
		}
		if err := c.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = c.Wait() // killed
		files, _ := filepath.Glob(filepath.Join(store, "*.json"))
		for _, f := range files {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := sheet.DecodePhoto(b); err != nil {
				t.Errorf("half a file after kill -9: %s: %v", f, err)
			}
		}
		if len(files) < kept+4 {
			t.Errorf("%d results after a run that began six more than %d", len(files), kept)
		}
		kept = len(files)
	}
	again := 0
	m := func(_ context.Context, path string) (sheet.Photo, error) { again++; return measured(path) }
	got := run(t, list, m, Options{Workers: 1, Store: store})
	if again > len(list)-kept {
		t.Errorf("measured %d again, want at most %d", again, len(list)-kept)
	}
	if want := encode(t, run(t, list, plainMeasure, Options{})); encode(t, got) != want {
		t.Error("results after three kills differ from one quiet run")
	}
}

// A photo that ends the whole program is passed over after some tries, and costs no
// other photo anything.
func TestDeadlyPhoto(t *testing.T) {
	dir, list := folder(t, 5)
	for i := range maxDeaths {
		if err := child(dir, "p2.jpg").Run(); err == nil {
			t.Fatalf("child %d lived, want it to die", i)
		}
	}
	if out, err := child(dir, "p2.jpg").CombinedOutput(); err != nil {
		t.Fatalf("run %d: %v\n%s", maxDeaths+1, err, out)
	}
	got := run(t, list, plainMeasure, Options{Store: filepath.Join(dir, "cache")})
	for _, p := range got {
		if want := map[bool]string{true: sheet.Failed, false: sheet.Measured}[p.Name == "p2.jpg"]; p.State != want {
			t.Errorf("%s is %s (%s), want %s", p.Name, p.State, p.Reason, want)
		}
	}
}

// Kills early in every run, before the same first photos are done, must not be taken
// for their fault.
func TestImpatientKillsAreNoFault(t *testing.T) {
	dir, list := folder(t, 12)
	for range 12 {
		c := child(dir, "")
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		if _, err := out.Read(make([]byte, len("measured\n"))); err != nil {
			t.Fatal(err)
		}
		if err := c.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = c.Wait() // killed
	}
	got := run(t, list, plainMeasure, Options{Workers: 2, Store: filepath.Join(dir, "cache")})
	if want := encode(t, run(t, list, plainMeasure, Options{})); encode(t, got) != want {
		t.Error("results after twelve early kills differ from one quiet run")
	}
}

func TestSweepRemovesOnlyOldLeftovers(t *testing.T) {
	dir := t.TempDir()
	now := time.Now()
	for name, age := range map[string]time.Duration{".x.json1": 2 * time.Hour, ".y.json2": time.Minute, "z.json": 9 * time.Hour} {
		write(t, filepath.Join(dir, name), "x")
		if err := os.Chtimes(filepath.Join(dir, name), now, now.Add(-age)); err != nil {
			t.Fatal(err)
		}
	}
	sweep(dir, now)
	entries, _ := os.ReadDir(dir)
	if len(entries) != 2 || entries[0].Name() != ".y.json2" || entries[1].Name() != "z.json" {
		t.Errorf("left %v, want .y.json2 and z.json", entries)
	}
}

// Progress counts every photo once and in order; the time left comes from what
// was really measured.
func TestProgress(t *testing.T) {
	dir, list := folder(t, 4)
	store := filepath.Join(dir, "cache")
	run(t, list[:1], plainMeasure, Options{Store: store})
	clock := time.Unix(0, 0)
	var b bytes.Buffer
	run(t, list, func(_ context.Context, path string) (sheet.Photo, error) {
		clock = clock.Add(90 * time.Second)
		return measured(path)
	}, Options{Workers: 1, Store: store, Now: func() time.Time { return clock }, Progress: Lines(&b)})
	got := strings.Split(strings.TrimSpace(b.String()), "\n")
	for i, want := range []string{"1/4 p0.jpg: measured, ", "2/4 p1.jpg: measured, ", "3/4 p2.jpg: measured, ", "4/4 p3.jpg: measured, "} {
		if !strings.HasPrefix(got[i], want) {
			t.Errorf("line %d = %q, want %q…", i, got[i], want)
		}
	}
	for i, want := range []string{"from an earlier run", "about 3 min left", "about 2 min left", ""} { // 2 × 90 s, 1 × 90 s
		if !strings.Contains(got[i], want) {
			t.Errorf("line %d = %q, want %q in it", i, got[i], want)
		}
	}
	var bar bytes.Buffer
	progress, done := Bar(&bar, 4)
	run(t, list, plainMeasure, Options{Workers: 1, Progress: progress})
	done()
	if !strings.Contains(bar.String(), "3/4") {
		t.Errorf("bar = %q, want 3/4 in it", bar.String())
	}
}

func TestDuration(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "1 s", 8400 * time.Millisecond: "8 s", 59700 * time.Millisecond: "1 min",
		150 * time.Second: "3 min", 59*time.Minute + 40*time.Second: "60 min", 130 * time.Minute: "2 h 10 min",
	} {
		if got := Duration(d); got != want {
			t.Errorf("Duration(%v) = %q, want %q", d, got, want)
		}
	}
}

// A thousand photos need no more memory than fifty: no picture outlives its turn.
func TestFlatMemory(t *testing.T) {
	peak := func(n int) uint64 {
		_, list := folder(t, n)
		var most uint64
		run(t, list, func(_ context.Context, path string) (sheet.Photo, error) {
			img := image.NewNRGBA(image.Rect(0, 0, 1000, 250)) // 1 MB
			img.Pix[len(path)] = 1
			p, err := measured(path)
			p.WidthPx = img.Bounds().Dx()
			return p, err
		}, Options{Workers: 2, Progress: func(e Event) {
			if e.Done%25 == 0 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		}})
		return most
	}
	small, large := peak(50), peak(1000)
	if large > small+8<<20 {
		t.Errorf("heap grew from %d kB at 50 photos to %d kB at 1000", small>>10, large>>10)
	}
}

func BenchmarkRecall(b *testing.B) {
	_, list := folder(b, 100)
	store := filepath.Join(b.TempDir(), "cache")
	run(b, list, plainMeasure, Options{Store: store})
	for b.Loop() {
		run(b, list, plainMeasure, Options{Store: store})
	}
}

// The demo's photos carry clocks; under names in the opposite order they still
// come in the order taken.
func TestListFollowsTheClock(t *testing.T) {
	dir := t.TempDir()
	for i, name := range []string{"d.jpg", "c.jpg", "b.jpg", "a.jpg"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "demo", fmt.Sprintf("demo-%d.jpg", i)))
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, name), string(b))
	}
	list, err := List(dir)
	if err != nil || !slices.Equal(names(list), []string{"d.jpg", "c.jpg", "b.jpg", "a.jpg"}) {
		t.Errorf("List = %q, %v, want d, c, b, a: the order of the clocks", names(list), err)
	}
	write(t, filepath.Join(dir, "e.png"), "no clock") // then the names decide
	if list, _ = List(dir); len(list) != 5 || list[0].Name != "a.jpg" {
		t.Errorf("with a photo without clock, List = %q, want by name", names(list))
	}
}
