package main

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io/fs"
	"maps"
	"math"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"github.com/urfave/cli/v2"
	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/picture"
	page "dartfall/cmd/dartfall/internal/report"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// PublishCommand draws the pictures to publish of a measured folder.
func PublishCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "publish",
		Usage:     "draw the pictures to publish, with layers and reveal sequence",
		ArgsUsage: "FOLDER",
		Description: "Reads FOLDER/results/summary.json as measure left it and draws into\n" +
			"FOLDER/results/pictures: 1920x1080, 1080x1920 and 1280x720, as shot and moved to a\n" +
			"common centre; the transparent layers of each, registered to the pixel; and a\n" +
			"numbered reveal sequence, string by string in the order shot. alt-texts.txt holds an\n" +
			"alternative text for each. Nothing is measured again. Pictures of an earlier publish\n" +
			"that are not drawn any more are removed, unless they were changed since.\n\n" +
			"   dartfall publish saturday",
		Action: func(ctx *cli.Context) error {
			if ctx.NArg() != 1 {
				return withHint(usagef("publish needs one folder"), "dartfall publish FOLDER")
			}
			out, s, err := readSummary(ctx.Args().First())
			if err != nil {
				return err
			}
			if len(s.Groups) == 0 {
				return withHint(errors.New("there is no group to show"), "see what measure said about the photos")
			}
			if !s.OneBoard() {
				return withHint(errors.New("nothing says what was shot on these photos, so they do not belong on one picture"),
					"list the strings in session.toml (dartfall new writes one) and measure again, or publish one photo")
			}
			names, outdated, err := publish(out, s, everything)
			if err != nil {
				return err
			}
			fmt.Fprintf(c.Out, "%s written to %s.\n", plural(len(names), "picture"), filepath.Join(out, picturesDir))
			if outdated > 0 {
				fmt.Fprintf(c.Err, "%s of an earlier publish removed.\n", plural(outdated, "file"))
			}
			sayKept(c.Err, out)
			return nil
		},
	}
}

// readSummary reads what measure left for a folder; the results folder itself may
// be given too.
func readSummary(dir string) (out string, s sheet.Summary, err error) {
	out = filepath.Join(dir, "results")
	if _, err := os.Stat(filepath.Join(dir, "summary.json")); err == nil {
		out = dir
	}
	file := filepath.Join(out, "summary.json")
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return out, s, withHint(fmt.Errorf("there is no %s", file), "measure the folder first: dartfall measure %s", shellWord(dir))
	}
	if err != nil {
		return out, s, fmt.Errorf("cannot read %s: %v", file, err)
	}
	if s, err = sheet.Decode(b); err != nil {
		return out, s, withHint(fmt.Errorf("%s: %v", file, err), "measure the folder again: dartfall measure %s", shellWord(dir))
	}
	return out, s, nil
}

const picturesDir = "pictures" // inside the results

// extent says how much publish draws.
type extent int

const (
	stills     extent = iota // the whole pictures alone
	everything               // layers and reveal sequence too
)

// sizes names the formats in the order they are drawn.
var sizes = []struct {
	name   string
	format picture.Format
}{{"still", picture.Still}, {"vertical", picture.Vertical}, {"thumbnail", picture.Thumbnail}}

var geometries = []struct {
	name     string
	geometry picture.Geometry
}{{"as-shot", picture.AsShot}, {"common-centre", picture.CommonCentre}}

// mainPicture is the file the report shows first.
const mainPicture = "still-as-shot.png"

// altFile holds an alternative text for each picture; newAltFile the texts that an edited
// one did not give way to.
const (
	altFile    = "alt-texts.txt"
	newAltFile = "alt-texts-new.txt"
)

// recordFile lists by SHA-256 and name what publish wrote, as sha256sum does.
const recordFile = "pictures.sha256"

// publish draws the pictures into out/pictures, on every core, and returns their
// names there. The alternative texts lie beside them. Files of an earlier publish that
// do not belong to these pictures are removed and counted.
func publish(out string, s sheet.Summary, how extent) (names []string, outdated int, err error) {
	dir := filepath.Join(out, picturesDir)
	sc := scene(s)
	now := map[string]string{} // SHA-256 by name
	var mu sync.Mutex
	var alt strings.Builder
	var work errgroup.Group
	work.SetLimit(runtime.NumCPU())
	for _, size := range sizes {
		for _, g := range geometries {
			base := size.name + "-" + g.name
			p := picture.Compose(sc, size.format, g.geometry)
			list := pageFiles(base, p, how)
			names = append(names, list...)
			fmt.Fprintf(&alt, "%s: %s\n", list[0], page.PictureAlt(s, g.geometry == picture.CommonCentre))
			// A page is not safe for concurrent use: one worker draws all of it.
			work.Go(func() error {
				hashes, err := drawPage(dir, p, list)
				mu.Lock()
				defer mu.Unlock()
				for i, hash := range hashes {
					now[list[i]] = hash
				}
				return err
			})
		}
	}
	if err := work.Wait(); err != nil {
		return nil, 0, err
	}
	file := altFile
	if wrote := published(dir)[altFile]; edited(filepath.Join(dir, altFile), wrote, alt.String()) {
		file, now[altFile] = newAltFile, wrote
	}
	now[file] = hexSHA256([]byte(alt.String()))
	if err := sheet.WriteFile(filepath.Join(dir, file), []byte(alt.String())); err != nil {
		return nil, 0, err
	}
	outdated, err = replace(dir, now)
	return names, outdated, err
}

// published returns the SHA-256 of each file that publish wrote into dir, by its name.
func published(dir string) map[string]string {
	files := map[string]string{}
	data, err := os.ReadFile(filepath.Join(dir, recordFile))
	if err != nil {
		return files
	}
	for line := range strings.Lines(string(data)) {
		if hash, name, ok := strings.Cut(strings.TrimSpace(line), "  "); ok && filepath.IsLocal(name) {
			files[name] = hash
		}
	}
	return files
}

// replace removes and counts what publish wrote into dir earlier and has not written
// now, and notes what there is. Files that were changed since are the user's and stay;
// so do the layers and steps of a whole picture that is still the same.
func replace(dir string, now map[string]string) (outdated int, err error) {
	was := published(dir)
	for name, hash := range was {
		if _, there := now[name]; there {
			continue
		}
		if whole := path.Base(path.Dir(name)) + ".png"; now[whole] != "" && now[whole] == was[whole] {
			now[name] = hash
			continue
		}
		file := filepath.Join(dir, filepath.FromSlash(name))
		if data, err := os.ReadFile(file); err != nil || hexSHA256(data) != hash {
			continue
		}
		if err := os.Remove(file); err != nil {
			return outdated, fmt.Errorf("cannot remove a picture that no longer holds: %v", err)
		}
		outdated++
		for folder := filepath.Dir(file); folder != dir; folder = filepath.Dir(folder) {
			os.Remove(folder) // fails while anything is in it
		}
	}
	if len(was)+len(now) == 0 {
		return 0, nil
	}
	var record strings.Builder
	for _, name := range slices.Sorted(maps.Keys(now)) {
		fmt.Fprintf(&record, "%s  %s\n", now[name], name)
	}
	return outdated, sheet.WriteFile(filepath.Join(dir, recordFile), []byte(record.String()))
}

// pageFiles names a page's pictures: whole, then its layers and its reveal steps.
func pageFiles(base string, p *picture.Page, how extent) []string {
	list := []string{base + ".png"}
	if how != everything {
		return list
	}
	for _, layer := range p.Layers() {
		list = append(list, "layers/"+base+"/"+layer+".png")
	}
	for k := range p.Steps() {
		list = append(list, fmt.Sprintf("reveal/%s/%02d.png", base, k+1))
	}
	return list
}

// drawPage writes a page as the pictures of a list by pageFiles and returns the SHA-256
// of each.
func drawPage(dir string, p *picture.Page, list []string) (hashes []string, err error) {
	draw := []func() image.Image{func() image.Image { return p.Picture().Image }}
	for i := range p.Layers() {
		draw = append(draw, func() image.Image { return p.Layer(i) })
	}
	for k := range p.Steps() {
		draw = append(draw, func() image.Image { return p.Step(k).Image })
	}
	// Files a tenth larger, all of them in two thirds of the time.
	encoder := png.Encoder{CompressionLevel: png.BestSpeed}
	for i, name := range list {
		var b bytes.Buffer
		if err := encoder.Encode(&b, draw[i]()); err != nil {
			return hashes, fmt.Errorf("cannot encode %s: %v", name, err)
		}
		if err := sheet.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), b.Bytes()); err != nil {
			return hashes, err
		}
		hashes = append(hashes, hexSHA256(b.Bytes()))
	}
	return hashes, nil
}

// scene is what the pictures show of a summary; it computes nothing.
func scene(s sheet.Summary) picture.Scene {
	sc := picture.Scene{Title: s.Session.Title, Distance: s.Session.DistanceText, Rule: shortRule(s.Rule), InShort: inShort(s)}
	if s.Rule.InForce {
		sc.KeptLabel = "without outliers"
		if s.Rule.Kind == "drop" {
			sc.KeptLabel = fmt.Sprintf("without the %d widest", s.Rule.Drop)
		}
	}
	sc.Board.RadiiMM = s.FaceRadiiMM()
	var order, names, stickers []string
	nth := map[string]int{} // of each string, from 1 in the order shot
	for i, t := range s.Strings {
		order = append(order, t.Accessory)
		nth[t.Name] = i + 1
	}
	sc.Order = strings.Join(order, ", ")
	colours := map[string]string{}
	for _, a := range s.Accessories {
		colours[a.Name] = a.StickerColour
	}
	for _, g := range s.Groups {
		names, stickers = append(names, g.Accessory), append(stickers, colours[g.Accessory])
	}
	ids := picture.Identities(names, stickers)
	for i, g := range s.Groups {
		if g.Letter != "" {
			ids[i].Letter = g.Letter
		}
		a := picture.Accessory{Identity: ids[i], Sticker: stickers[i], Declared: g.Shots, Misses: g.Missed(), Unstated: g.Unaccounted > 0}
		index := map[string]int{}
		for _, m := range s.Impacts {
			if m.Accessory == g.Accessory && m.Counts() {
				index[m.ID] = len(a.Impacts)
				a.Impacts = append(a.Impacts, picture.Impact{
					Pos: r2.Vec{X: float64(m.XMM), Y: float64(m.YMM)}, String: nth[m.String], SetAside: m.SetAside != "", Doubtful: slices.Contains(m.Flags, string(vision.Doubtful)),
				})
			}
		}
		a.All = sceneFigures(g.All, index)
		if g.Without != nil {
			a.Kept = sceneFigures(*g.Without, index)
		}
		sc.Accessories = append(sc.Accessories, a)
	}
	for _, step := range steps {
		for _, c := range s.Comparisons {
			if c.Verdict != step.verdict {
				continue
			}
			text := strings.TrimSuffix(comparisonAnswer([]sheet.Comparison{c}), ".")
			if step.step == picture.CheckShots { // the text beside the picture says why
				text = fmt.Sprintf("%s and %s: no verdict, %s", c.A, c.B, step.step)
			}
			sc.Verdicts = append(sc.Verdicts, picture.Verdict{Step: step.step, Text: text})
		}
	}
	return sc
}

// steps are the verdicts with their bars: what cannot be right first, then the settled.
var steps = []struct {
	verdict string
	step    picture.Step
}{{sheet.CheckShots, picture.CheckShots}, {sheet.ClearlyTighter, picture.Clear}, {sheet.Leaning, picture.Leaning}, {sheet.NoDifference, picture.NoDifference}, {sheet.TooFew, picture.TooFew}}

// shortRule is the outlier rule in the few words that a picture has room for.
func shortRule(r sheet.OutlierRule) string {
	words := "no shot set aside"
	switch {
	case r.Kind == "drop" && r.Drop == 1:
		words = "the widest of each group set aside"
	case r.Kind == "drop":
		words = fmt.Sprintf("the %d widest of each group set aside", r.Drop)
	case r.Kind == "test":
		words = fmt.Sprintf("one robust test for all, false alarm in %.3g%% of clean groups", 100*float64(r.Chance))
	}
	if r.Decided != "" {
		words += ", decided " + r.Decided
	}
	return words
}

// inShort words the comparisons by letters, the settled first, one line for each
// verdict. Where that takes more than two lines, settled pairs are only counted: one
// clear pair must not speak for all.
func inShort(s sheet.Summary) []picture.Verdict {
	letters := map[string]string{}
	for _, g := range s.Groups {
		letters[g.Accessory] = g.Letter
	}
	var lines []picture.Verdict
	sure := 0
	for _, step := range steps {
		var pairs []string
		losers := map[string]string{} // of each tighter one, by letters
		var tighter []string
		for _, c := range s.Comparisons {
			switch {
			case c.Verdict != step.verdict:
			case step.step == picture.Clear:
				sure++
				winner, loser := letters[c.Tighter], letters[c.Wider()]
				if losers[winner] == "" {
					tighter = append(tighter, winner)
					losers[winner] = loser
				} else {
					losers[winner] += ", " + loser
				}
			default:
				pairs = append(pairs, letters[c.A]+"–"+letters[c.B])
			}
		}
		for len(tighter) > 0 {
			same := losers[tighter[0]]
			var winners, rest []string
			for _, w := range tighter {
				if losers[w] == same {
					winners = append(winners, w)
				} else {
					rest = append(rest, w)
				}
			}
			lines = append(lines, picture.Verdict{Step: step.step, Text: strings.Join(winners, ", ") + " tighter than " + same})
			tighter = rest
		}
		if len(pairs) > 0 {
			lines = append(lines, picture.Verdict{Step: step.step, Text: strings.Join(pairs, ", ") + ": " + step.step.String()})
		}
	}
	if len(lines) > 2 {
		return []picture.Verdict{{Step: picture.Leaning, Text: fmt.Sprintf("%d of %d pairs settled", sure, len(s.Comparisons))}}
	}
	return lines
}

func sceneFigures(f sheet.Figures, index map[string]int) picture.Figures {
	r := func(e sheet.Estimate) picture.Range {
		out := picture.Range{Value: float64(e.Value), Lo: float64(e.Low), Hi: float64(e.High), AtLeast: e.AtLeast}
		if e.AtLeast {
			out.Hi = math.Inf(1)
		}
		return out
	}
	out := picture.Figures{
		N: f.N, Centre: r2.Vec{X: float64(f.CentreMM.XMM), Y: float64(f.CentreMM.YMM)},
		MeanRadius: r(f.MeanRadiusMM), ExtremeSpread: r(f.ExtremeSpreadMM),
	}
	i, okI := index[f.ExtremePair[0]]
	k, okK := index[f.ExtremePair[1]]
	if okI && okK {
		out.Pair = [2]int{i, k}
	}
	return out
}
