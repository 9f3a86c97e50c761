package main

import (
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/disintegration/imaging"
	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/picture"
	page "dartfall/cmd/dartfall/internal/report"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/vision"
)

// ReportCommand writes the report of a measured folder.
func ReportCommand(c console) *cli.Command {
	return &cli.Command{
		Name:      "report",
		Usage:     "write report.html and a video description from measured results",
		ArgsUsage: "FOLDER",
		Description: "Reads FOLDER/results/summary.json as measure left it and writes report.html (one\n" +
			"file that opens offline) and description.txt beside it; the description is\n" +
			"printed too. Nothing is measured again. A description that you edited is kept.\n\n" +
			"   dartfall report saturday",
		Action: func(ctx *cli.Context) error {
			if ctx.NArg() != 1 {
				return withHint(usagef("report needs one folder"), "dartfall report FOLDER")
			}
			return runReport(c, ctx.Args().First())
		},
	}
}

func runReport(c console, dir string) error {
	out, s, err := readSummary(dir)
	if err != nil {
		return err
	}
	text, foreign, err := writeReport(out, s)
	if err != nil {
		return err
	}
	sayKept(c.Err, out)
	if len(foreign) > 0 {
		fmt.Fprintf(c.Err, "Left out, since not drawn from these figures (measure draws them anew): %s\n", strings.Join(foreign, ", "))
	}
	fmt.Fprint(c.Out, text)
	fmt.Fprintf(c.Err, "Written: %s\n", filepath.Join(out, "report.html"))
	return nil
}

// writeReport writes report.html and description.txt into the results folder and
// returns the description. It shows the main picture, where publishing made one, and
// the squared-up photos that are there. Those that were not drawn from these figures
// are foreign and left out. A description that was edited is kept, and the new one lies
// beside it.
func writeReport(out string, s sheet.Summary) (description string, foreign []string, err error) {
	var pictures []page.Picture
	decoder := new(vision.JPEGDecoder)
	if _, err := os.Stat(filepath.Join(out, picturesDir, mainPicture)); err == nil && len(s.Groups) > 0 && s.OneBoard() {
		// Drawn anew: the file may be of other figures.
		still := picture.Compose(scene(s), picture.Still, picture.AsShot).Picture().Image
		data, err := reportJPEG(imaging.Fit(still, reportPx, reportPx, imaging.Box))
		if err != nil {
			return "", nil, err
		}
		pictures = append(pictures, page.Picture{Title: "The picture to publish", Alt: page.PictureAlt(s, false), Type: "image/jpeg", Data: data, First: true})
	}
	for _, p := range s.Photos {
		if p.Flat == nil || len(p.Marks) == 0 {
			continue
		}
		if len(pictures) > mostInReport {
			break
		}
		data, err := os.ReadFile(filepath.Join(out, filepath.Base(p.Flat.File)))
		if err != nil {
			continue // a picture that was deleted costs the report only that picture
		}
		if hexSHA256(data) != p.Flat.SHA256 {
			foreign = append(foreign, filepath.Base(p.Flat.File))
			continue
		}
		img, err := decoder.DecodeWithin(data, reportPx)
		if err != nil {
			return "", nil, fmt.Errorf("cannot read %s: %v", filepath.Base(p.Flat.File), err)
		}
		if data, err = reportJPEG(img); err != nil {
			return "", nil, err
		}
		pictures = append(pictures, page.Picture{
			Title: p.Name + ", the board squared up, with the marks that were found", Type: "image/jpeg", Data: data,
			Alt: fmt.Sprintf("%s: the board squared up with %s outlined.", p.Name, plural(len(p.Marks), "mark")),
		})
	}
	html, err := page.HTML(s, pictures)
	if err != nil {
		return "", nil, err
	}
	description, err = page.Description(s)
	if err != nil {
		return "", nil, err
	}
	if err := writeDescription(out, description); err != nil {
		return "", nil, err
	}
	return description, foreign, sheet.WriteFile(filepath.Join(out, "report.html"), html)
}

const (
	descriptionFile = "description.txt"
	// newDescription is the text that an edited description.txt did not give way to.
	newDescription = "description-new.txt"
	// descriptionRecord tells what was written to description.txt last, as sha256sum does.
	descriptionRecord = ".description.sha256"
)

// edited tells whether a file is the user's: it is neither what was written last, by its
// SHA-256, nor what is to be written.
func edited(file, wrote, text string) bool {
	there, err := os.ReadFile(file)
	return err == nil && string(there) != text && hexSHA256(there) != wrote
}

// writeDescription writes the description, beside one that was edited since it was written.
func writeDescription(out, text string) error {
	record, _ := os.ReadFile(filepath.Join(out, descriptionRecord))
	wrote, _, _ := strings.Cut(string(record), "  ")
	if edited(filepath.Join(out, descriptionFile), wrote, text) {
		return sheet.WriteFile(filepath.Join(out, newDescription), []byte(text))
	}
	if err := os.Remove(filepath.Join(out, newDescription)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot remove a text that no longer holds: %v", err)
	}
	if err := sheet.WriteFile(filepath.Join(out, descriptionFile), []byte(text)); err != nil {
		return err
	}
	return sheet.WriteFile(filepath.Join(out, descriptionRecord), []byte(hexSHA256([]byte(text))+"  "+descriptionFile+"\n"))
}

// sayKept tells of edited texts that did not give way to new ones.
func sayKept(w io.Writer, out string) {
	for _, f := range [][2]string{{descriptionFile, newDescription}, {picturesDir + "/" + altFile, picturesDir + "/" + newAltFile}} {
		if _, err := os.Stat(filepath.Join(out, f[1])); err == nil {
			fmt.Fprintf(w, "%s was edited and is kept; the text by these figures is in %s.\n", f[0], f[1])
		}
	}
}

// mostInReport is how many photos a report shows: some 4 MB. Those of a large archive
// lie beside it.
const mostInReport = 24

// reportPx is the larger side of a picture inside the report: sharp on a phone
// and on half a desktop screen, some 150 kB each.
const reportPx = 1280

// reportJPEG encodes an opaque picture, whose pixels are the same in both colour models.
func reportJPEG(img *image.NRGBA) ([]byte, error) {
	return vision.EncodeJPEG(&image.RGBA{Pix: img.Pix, Stride: img.Stride, Rect: img.Rect}, 85)
}
