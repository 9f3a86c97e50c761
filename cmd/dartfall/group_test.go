package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"dartfall/scoring"
)

// The worked group G1 (every statistic computed outside this project): extreme spread
// 100.578 mm, mean radius 35.917 mm.
const workedList = "accessory,x_mm,y_mm\nNorth,12,-31\nNorth,-25,8\nNorth,40,15\nNorth,-8,-52\nNorth,3,27\n" +
	"North,-47,-12\nNorth,22,44\nNorth,-15,-3\nNorth,31,-20\nNorth,-13,24\n"

const secondList = "Reed,35,-10\nReed,2,30\nReed,58,41\nReed,20,-25\nReed,41,52\nReed,-9,12\nReed,66,20\nReed,12,33\nReed,49,5\nReed,27,61\n"

func runWith(t *testing.T, stdin string, args ...string) (out, errs string, status int) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(append([]string{"dartfall"}, args...), strings.NewReader(stdin), &o, &e)
	return o.String(), e.String(), status
}

func TestGroupCommand(t *testing.T) {
	out, errs, status := runWith(t, workedList, "group", "-", "--distance", "30m")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "North: 10 impacts, the two farthest 101 mm apart; on average 36 mm from the middle.\n") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	out, _, status = runWith(t, workedList, "group", "--json", "-")
	var report struct{ Groups []scoring.Assessment }
	if err := json.Unmarshal([]byte(out), &report); err != nil || status != statusDone || len(report.Groups) != 1 {
		t.Fatalf("status %d, %v", status, err)
	}
	if es := report.Groups[0].All.ExtremeSpread.Value; !(es > 100.57832768 && es < 100.57832769) {
		t.Errorf("extreme spread in JSON %v, want full precision", es)
	}
}

func TestCompareCommand(t *testing.T) {
	out, errs, status := runWith(t, workedList+secondList, "compare", "-")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "North against Reed: no difference visible.\n") || !strings.Contains(out, "marshals") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	again, _, _ := runWith(t, workedList+secondList, "compare", "-")
	if again != out {
		t.Error("the same list gives different bytes")
	}
}

func TestListErrors(t *testing.T) {
	for _, tt := range []struct {
		name, stdin string
		args        []string
		status      int
		want        string
	}{
		{"no file", "", []string{"group"}, statusUsage, "needs one file"},
		{"missing file", "", []string{"group", "nowhere.csv"}, statusFailed, "no file nowhere.csv"},
		{"empty", "", []string{"group", "-"}, statusFailed, "empty"},
		{"heading only", "accessory,x_mm,y_mm\n", []string{"group", "-"}, statusFailed, "no shots"},
		{"no column", "accessory,x,y\nA,1,2\n", []string{"group", "-"}, statusFailed, "no column x_mm"},
		{"not a number", "accessory,x_mm,y_mm\nA,1,two\n", []string{"group", "-"}, statusFailed, "shot 1: y_mm"},
		{"heading misspelt", "acessory,x_mm,y_mm\nA,1,2\n", []string{"group", "-"}, statusFailed, "it reads acessory,x_mm,y_mm"},
		{"two spellings", "accessory,x_mm,y_mm\nNorth,1,2\nnorth,1,2\n", []string{"group", "-"}, statusFailed, `"north" was "North" before`},
		{"quotation mark", "accessory,x_mm,y_mm\n\"North,1,2\n", []string{"group", "-"}, statusFailed, "line 2: a quotation mark"},
		{"a photo", "\xff\xd8\x00\x10", []string{"group", "-"}, statusFailed, "not a text list"},
		{"a folder", "", []string{"group", "."}, statusFailed, "is a folder"},
		{"only jams", "accessory,x_mm,y_mm\nA,jam,jam\n", []string{"group", "-"}, statusFailed, "no shots"},
		{"no such option", workedList, []string{"group", "-", "--distanse", "30m"}, statusUsage, "no option --distanse"},
		{"option without its value", workedList, []string{"group", "-", "--distance"}, statusUsage, "--distance needs a value"},
		{"option with a wrong value", workedList, []string{"group", "-", "--drop", "two"}, statusUsage, `--drop cannot be "two"`},
		{"switch with a value", workedList, []string{"group", "-", "--json=maybe"}, statusUsage, `--json cannot be "maybe"`},
		{"one accessory", workedList, []string{"compare", "-"}, statusUsage, "two to eight"},
		{"bad board", workedList, []string{"group", "-", "--board", "1"}, statusUsage, "unit"},
		{"bad shots", workedList, []string{"group", "-", "--shots", "Slate=3"}, statusUsage, "not in the list"},
		{"decimal commas", "accessory,x_mm,y_mm\nA,12,5,-31,0\n", []string{"group", "-"}, statusFailed, "semicolons"},
		{"bad level", workedList, []string{"group", "-", "--level", "0.5"}, statusUsage, "level"},
	} {
		out, errs, status := runWith(t, tt.stdin, tt.args...)
		if status != tt.status || out != "" || !strings.Contains(errs, tt.want) {
			t.Errorf("%s: status %d, stdout %q, stderr %q; want %d and %q", tt.name, status, out, errs, tt.status, tt.want)
		}
	}
}

// Misses and skips count, jams and sighters do not; strings of impacts.csv become rounds,
// and a stated cause makes a flyer.
func TestParseImpacts(t *testing.T) {
	groups, err := parseImpacts("list", []byte("string,accessory,x_mm,y_mm,set_aside,cause\n"+
		"1 North,North,1,2,,\n2 Reed,Reed,3,4,,\n2 Reed,Reed,skip,low,,\n3 Reed,Reed,−5,6,flyer,slipped\n4 North,North,7,8,,\n4 North,North,jam,,,\n4 North,North,9,9,sighter,\nx,North,miss,miss,,\n"))
	if err != nil || len(groups) != 2 {
		t.Fatalf("%+v, %v", groups, err)
	}
	north, reed := groups[0], groups[1]
	if len(north.Impacts) != 2 || north.Misses != 1 || north.Impacts[0].Block != "1" || north.Impacts[1].Block != "2" {
		t.Errorf("North: %+v", north)
	}
	if len(reed.Impacts) != 2 || reed.Misses != 1 || reed.Impacts[0].Block != "1" || reed.Impacts[1].Block != "2" || reed.Impacts[1].Flyer != "slipped" || reed.Impacts[1].Pos.X != -5 {
		t.Errorf("Reed: %+v", reed)
	}
}

func FuzzParseImpacts(f *testing.F) {
	f.Add([]byte(workedList))
	f.Add([]byte("accessory;x_mm;y_mm\nA;1,5;2\nA;miss;miss\n"))
	f.Add([]byte("\ufeffx_mm\taccessory\ty_mm\n1\tA\t2\n\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		groups, err := parseImpacts("list", data)
		if err != nil {
			return
		}
		for _, g := range groups {
			if g.Accessory == "" || len(g.Impacts)+g.Misses == 0 {
				t.Fatalf("group %+v", g)
			}
		}
	})
}

// With a miss the angles are lower bounds as the lengths are; the middle is not.
func TestGroupAnglesAtLeast(t *testing.T) {
	out, errs, status := runWith(t, "accessory,x_mm,y_mm\nNorth,0,0\nNorth,30,40\nNorth,10,-20\nNorth,miss,miss\n", "group", "--distance", "10m", "-")
	_, angles, found := strings.Cut(out, "As angles")
	if status != statusDone || !found {
		t.Fatalf("status %d, %s\n%s", status, errs, out)
	}
	for _, line := range strings.Split(angles, "\n") {
		for _, size := range []string{"mean radius", "sigma", "extreme spread", "R50", "R90", "width", "height"} {
			if strings.Contains(line, " "+size+" ") && strings.Count(line, "≥ ") != 2 {
				t.Errorf("a miss, and yet %q", line)
			}
		}
		if strings.Contains(line, "off the centre") && strings.Contains(line, "≥") {
			t.Errorf("%q", line)
		}
	}
}
