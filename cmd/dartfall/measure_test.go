package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"dartfall/calib/boardtest"
)

// call runs the program as main does.
func call(args ...string) (status int, stdout, stderr string) {
	var out, errs bytes.Buffer
	status = run(append([]string{"dartfall"}, args...), strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

func demoPhoto(name string) string { return filepath.Join("..", "..", "testdata", "demo", name) }

// The example of the help is run as it stands, with a photo of the demo in place
// of board.jpg. Options stand after the photo too.
func TestMeasureHelpExample(t *testing.T) {
	_, help, _ := call("help", "measure")
	example := regexp.MustCompile(`dartfall measure (--ring .*) board\.jpg`).FindStringSubmatch(help)
	if example == nil {
		t.Fatalf("no example in the help:\n%s", help)
	}
	options := strings.Fields(strings.Replace(example[1], "red,blue", "orange,blue", 1)) // the demo's colours
	dir := t.TempDir()
	args := append(append([]string{"measure", demoPhoto("demo-2.jpg")}, options...), "--out", dir)
	status, out, errs := call(args...)
	if status != 0 {
		t.Fatalf("status %d: %s", status, errs)
	}
	for _, want := range []string{"No difference visible between blue and orange", "extreme spread", "mrad", "eye protection"} {
		if !strings.Contains(out, want) {
			t.Errorf("the table does not say %q:\n%s", want, out)
		}
	}
	for _, name := range []string{"impacts.csv", "summary.json", "demo-2-overlay.jpg", "demo-2-flat.jpg"} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			t.Error(err)
		}
	}
	compareWithTruth(t, filepath.Join(dir, "impacts.csv"), demoPhoto(filepath.Join("truth", "demo-2.json")))
}

// compareWithTruth scores misses, extras, colours and distance after removing
// rotation and shift, which rings cannot show.
func compareWithTruth(t *testing.T, impacts, truth string) {
	t.Helper()
	f, err := os.Open(impacts)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0][:8], ","); got != "photo,string,accessory,colour,x_mm,y_mm,sigma_mm,flags" {
		t.Errorf("columns %s", got)
	}
	data, err := os.ReadFile(truth)
	if err != nil {
		t.Fatal(err)
	}
	var tr struct {
		Marks []struct {
			Colour string
			X      float64 `json:"x_mm"`
			Y      float64 `json:"y_mm"`
		}
	}
	if err := json.Unmarshal(data, &tr); err != nil {
		t.Fatal(err)
	}
	if len(rows)-1 != len(tr.Marks) {
		t.Errorf("%d impacts, the truth has %d", len(rows)-1, len(tr.Marks))
	}
	// Pair by nearest place, then turn: the demo's boards stand within 4 degrees.
	type pair struct{ gx, gy, wx, wy float64 }
	var pairs []pair
	for _, r := range rows[1:] {
		x, _ := strconv.ParseFloat(r[4], 64)
		y, _ := strconv.ParseFloat(r[5], 64)
		best, at := math.Inf(1), 0
		for i, m := range tr.Marks {
			if d := math.Hypot(m.X-x, m.Y-y); d < best {
				best, at = d, i
			}
		}
		if m := tr.Marks[at]; m.Colour != r[3] {
			t.Errorf("the mark at (%.0f, %.0f) is called %s, it is %s", x, y, r[3], m.Colour)
		}
		pairs = append(pairs, pair{x, y, tr.Marks[at].X, tr.Marks[at].Y})
	}
	var sin, cos float64
	for _, p := range pairs {
		sin += p.gx*p.wy - p.gy*p.wx
		cos += p.gx*p.wx + p.gy*p.wy
	}
	a := math.Atan2(sin, cos)
	var sum float64
	for _, p := range pairs {
		dx := math.Cos(a)*p.gx - math.Sin(a)*p.gy - p.wx
		dy := math.Sin(a)*p.gx + math.Cos(a)*p.gy - p.wy
		sum += dx*dx + dy*dy
	}
	// About 0.1 mm of it is the contact shadow drawn in these renderings.
	if rms := math.Sqrt(sum / float64(len(pairs))); !(rms < 0.25) {
		t.Errorf("position RMSE %.3f mm, allowed 0.25", rms)
	}
}

func TestMeasureWrongUse(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct {
		args   []string
		status int
		say    string
	}{
		"no photo":         {[]string{"measure", "--ring", "800mm"}, 2, "no photo"},
		"no ring":          {[]string{"measure", demoPhoto("demo-1.jpg")}, 2, "--ring"},
		"no unit":          {[]string{"measure", "--ring", "800", demoPhoto("demo-1.jpg")}, 2, "unit"},
		"colour":           {[]string{"measure", "--ring", "800mm", "--stickers", "teal", demoPhoto("demo-1.jpg")}, 2, "teal"},
		"option":           {[]string{"measure", "--rang", "800mm", demoPhoto("demo-1.jpg")}, 2, "rang"},
		"drop":             {[]string{"measure", "--ring", "800mm", "--drop", "9", demoPhoto("demo-1.jpg")}, 2, "0 to 5"},
		"shots":            {[]string{"measure", "--ring", "800mm", "--shots", "some", demoPhoto("demo-1.jpg")}, 2, "not a number of shots"},
		"shots of teal":    {[]string{"measure", "--ring", "800mm", "--shots", "teal=9", demoPhoto("demo-1.jpg")}, 2, "teal"},
		"shots undeclared": {[]string{"measure", "--ring", "800mm", "--stickers", "red", "--shots", "blue=9", demoPhoto("demo-1.jpg")}, 2, "not among the --stickers"},
		"shots of marks":   {[]string{"measure", "--ring", "800mm", "--marks", "--shots", "blue=9", demoPhoto("demo-1.jpg")}, 2, "no colour"},
		"side":             {[]string{"measure", "--ring", "800mm", "--board", "front", demoPhoto("demo-1.jpg")}, 2, "left, right, top or bottom"},
		"no clean photo":   {[]string{"measure", "--ring", "800mm", "--clean", "nowhere.jpg", demoPhoto("demo-1.jpg")}, 1, "photo of the clean board"},
		"few points":       {[]string{"measure", "--points", "1,1=0,0", demoPhoto("demo-1.jpg")}, 2, "four points"},
		"missing file":     {[]string{"measure", "--ring", "800mm", "--out", dir, "nowhere.jpg"}, 1, "no photo or folder called nowhere.jpg"},
		"one missing":      {[]string{"measure", "--ring", "800mm", "--out", dir, "nowhere.jpg", "measure_test.go"}, 3, "nowhere.jpg: the file cannot be read (no such file or directory)"},
		"near command":     {[]string{"measur"}, 2, `did you mean "measure"?`},
		"no photo in it":   {[]string{"measure", "--ring", "800mm", "--out", dir, "measure_test.go"}, 3, "measure_test.go"},
		"wrong rings":      {[]string{"measure", "--rings", "200mm,300mm,600mm,800mm", "--out", dir, demoPhoto("demo-1.jpg")}, 3, "diameters"},
		"command":          {[]string{"mesure"}, 2, "measure"},
	} {
		status, _, errs := call(c.args...)
		if status != c.status || !strings.Contains(errs, c.say) {
			t.Errorf("%s: status %d, want %d and a word about %q:\n%s", name, status, c.status, c.say, errs)
		}
	}
}

// A declared colour without a mark must not pass in silence.
func TestMeasureNamesMissingColours(t *testing.T) {
	_, out, _ := call("measure", "--ring", "800mm", "--stickers", "blue,white", "--out", t.TempDir(), demoPhoto("demo-1.jpg"))
	if !strings.Contains(out, "no white sticker was found") || strings.Contains(out, "no blue sticker") {
		t.Errorf("output:\n%s", out)
	}
}

// A board on which no mark is found: that is said with what to
// look at, and is not success.
func TestMeasureFindsNoMark(t *testing.T) {
	dir := writeSession(t, "", map[string]boardtest.Scene{"one": from(0.2, 0.5, 0, nil)})
	status, out, errs := call("measure", "--rings", "100mm,200mm,300mm,400mm", "--out", t.TempDir(), filepath.Join(dir, "one.jpg"))
	if status != statusPartial || !strings.HasPrefix(out, noMark) || !strings.Contains(out, "check the rings' diameters, the colours of the stickers and their size") {
		t.Errorf("status %d, want %d and what to check\n%s%s", status, statusPartial, out, errs)
	}
}
