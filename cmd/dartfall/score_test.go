package main

import (
	"encoding/json"
	"strings"
	"testing"

	"dartfall/scoring"
)

// By hand: with rings of 100, 200 and 400 mm worth 10, 8 and 5 and a dart of 12 mm the
// rings reach to 56, 106 and 206 mm. Marks at 56, 56.1, 200 and 207 mm from the middle
// and one miss score 10, 8, 5, 0 and 0. On the 50 m rifle face (gauge 5.6 mm, ring 4 of
// radius 53.2 mm) the first two score 4 and 3, the rest nothing.
const scoreList = "accessory,x_mm,y_mm\nNorth,56,0\nNorth,0,-56.1\nNorth,-120,160\nNorth,0,207\nNorth,miss,miss\n"

func TestScoreCommand(t *testing.T) {
	args := []string{"score", "-", "--rings", "400mm,10cm,200mm", "--values", "5,10,8", "--dart", "12mm"}
	out, errs, status := runWith(t, scoreList, args...)
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "North: 23 of 50 points with 5 shots, 4.6 a shot.\n") || !strings.Contains(out, "touches the ring") || !strings.Contains(out, "marshals") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	out, _, status = runWith(t, scoreList, append(args, "--json")...)
	var report struct {
		Scorecards []scoring.Scorecard
	}
	if err := json.Unmarshal([]byte(out), &report); err != nil || status != statusDone || report.Scorecards[0].Points != 23 || report.Scorecards[0].Missed != 1 {
		t.Errorf("status %d, %v, %+v", status, err, report)
	}
	if out, _, _ = runWith(t, scoreList, "score", "-", "--face", "50 m rifle"); !strings.HasPrefix(out, "North: 7 of 50 points") || !strings.Contains(out, "recalled") {
		t.Errorf("on a published face:\n%s", out)
	}
	if out, errs, status = runWith(t, "", "score", "--faces"); status != statusDone || errs != "" || !strings.Contains(out, "World Archery 80 cm, 6 rings") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
}

func TestScoreErrors(t *testing.T) {
	for _, tt := range []struct {
		name string
		args []string
		want string
	}{
		{"no face", nil, "needs a face"},
		{"both", []string{"--face", "rifle", "--rings", "1m"}, "not both"},
		{"unknown", []string{"--face", "moon"}, "no published face"},
		{"unclear", []string{"--face", "rifle"}, "could be ISSF 10 m air rifle or ISSF 50 m rifle"},
		{"counts", []string{"--rings", "1m,2m", "--values", "3"}, "2 rings but --values has 1 value"},
		{"value", []string{"--rings", "1m", "--values", "ten"}, "not a ring's value"},
		{"order", []string{"--rings", "1m,2m", "--values", "1,2"}, "their values fall"},
		{"unit", []string{"--rings", "100", "--values", "1"}, "unit"},
		{"dart", []string{"--face", "air pistol", "--dart", "wide"}, "--dart"},
	} {
		out, errs, status := runWith(t, scoreList, append([]string{"score", "-"}, tt.args...)...)
		if status != statusUsage || out != "" || !strings.Contains(errs, tt.want) {
			t.Errorf("%s: status %d, stdout %q, stderr %q; want %q", tt.name, status, out, errs, tt.want)
		}
	}
}

// FuzzListOptions holds that what people type for options gives a value or an error.
func FuzzListOptions(f *testing.F) {
	f.Add("15", "1m", "10,8")
	f.Add("North=15,Reed=14", "1m x 1.2m", "5 4;3")
	f.Fuzz(func(t *testing.T, shots, lengths, values string) {
		groups := []scoring.Group{{Accessory: "North"}, {Accessory: "Reed"}}
		if err := declareShots(groups, shots); err == nil && shots != "" && groups[0].Declared+groups[1].Declared < 1 {
			t.Fatalf("--shots %q declares nothing", shots)
		}
		if board, err := parseBoard(lengths); err == nil && lengths != "" && board == nil {
			t.Fatalf("--board %q gives no board", lengths)
		}
		if face, err := ownFace(lengths, values); err == nil && len(face.RadiiMM) != len(face.Values) {
			t.Fatalf("--rings %q --values %q give %+v", lengths, values, face)
		}
	})
}
