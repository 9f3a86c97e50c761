package main

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// The tables of the commands on typed lists stay within 100 columns, with usual names and
// sizes; lines of a table begin with a space.
func TestListCommandsStayNarrow(t *testing.T) {
	const columns = 100
	impacts := workedList + "North,160,120\nNorth,miss,miss\n" + secondList + "Reed,-240,310\n" +
		"Slate,-150,180\nSlate,200,-110\nSlate,20,210\nSlate,110,-60\nSlate,-40,-190\nSlate,90,100\n"
	for _, tt := range []struct{ stdin, command string }{
		{impacts, "group --distance 30m -"},
		{impacts, "group --shots 15 --board 1m --distance 30m -"},
		{impacts, "compare -"},
		{impacts, "compare --shots 15 --board 1m -"},
		{impacts, "score --rings 400mm,800mm --values 10,5 -"},
		{impacts, "score --face 50m-rifle -"},
		{"North: 284, 287, 2.84, 291\nReed: 301, 303, 290\n", "chrono --cap 300fps --mass 1.1g -"},
		{"", "flight --speed 300fps --sd 6fps --shots 15 --height-sigma 80mm"},
		{"", "plan --accessories North,Reed,Slate --ratio 1.5"},
	} {
		args := strings.Fields(tt.command)
		for i := range args {
			args[i] = strings.ReplaceAll(args[i], "50m-rifle", "50 m rifle")
		}
		out, errs, status := runWith(t, tt.stdin, args...)
		want := statusDone
		if strings.HasPrefix(tt.command, "compare --shots") { // those that Slate lacks decide
			want = statusPartial
		}
		if status != want {
			t.Errorf("%s: status %d, %s", tt.command, status, errs)
		}
		for _, line := range strings.Split(out, "\n") {
			if n := utf8.RuneCountInString(line); strings.HasPrefix(line, " ") && n > columns {
				t.Errorf("%s: %d columns:\n%s", tt.command, n, line)
			}
		}
	}
}

// The first lines and the tables of a bad day's lists: nothing is hidden, nothing said
// that cannot be known.
func TestListWords(t *testing.T) {
	for _, tt := range []struct {
		name, stdin, command string
		status               int
		want, never          string
	}{
		{"only misses have no size", "accessory,x_mm,y_mm\nN,miss,miss\n", "group -", statusDone, "0 impacts, too few for a size", "at least this large"},
		{"one point has no interval", "accessory,x_mm,y_mm\nN,1,2\nN,1,2\nN,1,2\n", "group -", statusDone, "all impacts lie in one point", "(0–0)"},
		{"misses on one side", workedList + secondList + "Reed,miss,miss\n", "compare -", statusDone, "note: 1 shot of Reed left no mark", "0 shots of"},
		{"misses want the board", workedList + "North,miss,miss\n", "group -", statusDone, "size of the board is not given: add --board", "misses counted"},
		{"misses of a pair want it", workedList + secondList + "North,miss,miss\n", "compare -", statusDone, "North / Reed: note: the misses are not counted into sigma, since the size of the board is not given: add --board", ""},
		{"a board counts misses", workedList + "North,miss,miss\n", "group --board 300mm -", statusDone, "misses counted", "add --board"},
		{"shots that may be overlooked are no misses", workedList, "group --shots 15 --board 300mm -", statusDone, "no misses are counted into sigma, since", "misses counted "},
		{"more marks than shots, group", workedList, "group --shots 2 -", statusPartial, "North has more marks (", ""},
		{"more marks than shots, score", workedList, "score --shots 2 --rings 400mm --values 5 -", statusPartial, "than shots stated (2): no points yet", " of 10 points"},
		{"more marks than shots, compare", workedList + secondList, "compare --shots 2 -", statusPartial, "North and Reed cannot be compared yet: North has more marks", "is clearly tighter than"},
		{"more marks than shots, JSON", workedList, "score --json --shots 2 --rings 400mm --values 5 -", statusPartial, `"check_shots"`, "points"},
		{"shots that decide", "accessory,x_mm,y_mm\nN,0,0\nN,9,0\nN,0,9\nN,9,9\nN,5,1\nN,1,5\nN,4,4\nN,8,3\nR,0,0\nR,90,0\nR,0,90\nR,90,90\nR,50,10\nR,10,50\nR,40,40\nR,80,30\n",
			"compare --shots N=20,R=8 -", statusPartial, "12 of 20 shots of N are neither found nor stated as misses, and they decide", "clearly tighter than"},
		{"± is 95% as everywhere: 1.96 times the root of two", "accessory,x_mm,y_mm,sigma_mm\nN,0,0,1\nN,100,0,1\n", "group -", statusDone, "locating the marks adds ±2.8 mm to the spread", "±1.4 mm to the spread"},
		{"a drop of a miss has no shrinkage", workedList + "North,miss,miss\n", "group --drop 1 -", statusDone, " North            1                  –           –        0", "–%"},
		{"mean of the sentence and of the table", "284 284 284 287 290 301 284.5 288 292 284", "chrono -", statusDone, "on average 287.9 fps", "287.8"},
		{"one reading each", "North: 284\nReed: 287", "chrono -", statusDone, "too few readings to compare", "no difference"},
		{"impacts are no speeds", workedList, "chrono -", statusFailed, "list of impacts", ""},
		{"bytes are no speeds", "284\x00", "chrono -", statusFailed, "not a text file", ""},
		{"an unknown string", "North: 284", "chrono --shots Reed=3 -", statusUsage, "not in the list", "impacts"},
		{"never certain", "", "plan --accessories North,Reed --ratio 3 --shots 40", statusDone, "in over 99 of 100 tests", " 100 of 100"},
	} {
		out, errs, status := runWith(t, tt.stdin, strings.Fields(tt.command)...)
		if all := out + errs; status != tt.status || !strings.Contains(all, tt.want) || tt.never != "" && strings.Contains(all, tt.never) {
			t.Errorf("%s: status %d, want %q and no %q in:\n%s", tt.name, status, tt.want, tt.never, all)
		}
	}
}

func TestPlural(t *testing.T) {
	for _, tt := range []struct {
		n          int
		what, want string
	}{{1, "miss", "1 miss"}, {2, "miss", "2 misses"}, {0, "mark", "0 marks"}, {1, "mark", "1 mark"}} {
		if got := plural(tt.n, tt.what); got != tt.want {
			t.Errorf("plural(%d, %q) = %q", tt.n, tt.what, got)
		}
	}
}
