package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"dartfall/cmd/dartfall/internal/face"
	"dartfall/cmd/dartfall/internal/session"
	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/cmd/dartfall/internal/units"
)

// FaceCommand prints a ringed face as a PDF.
func FaceCommand(c console) *cli.Command {
	return &cli.Command{
		Name:  "face",
		Usage: "make a ringed face to print, as a PDF over as many sheets as it takes",
		Description: "Rings of any diameter, a centre mark, an up mark, crosses to join the sheets and\n" +
			"100 mm bars to check the print. The first sheet tells how to put it together and\n" +
			"holds the sticker key.\n\n" +
			"   dartfall face --rings 200mm,400mm,600mm,800mm --out face.pdf",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "rings", Usage: "`DIAMETERS` of the lines' outer edges, each with its unit"},
			&cli.StringFlag{Name: "line", Value: "2mm", Usage: "`WIDTH` of the lines"},
			&cli.StringFlag{Name: "paper", Value: "A4", Usage: "A4 or Letter"},
			&cli.StringFlag{Name: "code", Usage: "`TEXT` printed on every sheet, to tell sessions apart"},
			&cli.StringFlag{Name: "session", Usage: "session `FILE` or its folder: its rings, stickers and accessories are used"},
			&cli.StringFlag{Name: "out", Value: "face.pdf", Usage: "`FILE` to write; one that exists is not touched"},
		},
		Action: func(ctx *cli.Context) error { return runFace(c, ctx) },
	}
}

func runFace(c console, ctx *cli.Context) error {
	if ctx.NArg() > 0 {
		return withHint(usagef("face takes no file, but %q was given", ctx.Args().First()), "dartfall face --rings 400mm,800mm --out face.pdf")
	}
	f := face.Face{Code: ctx.String("code")}
	if file := ctx.String("session"); file != "" {
		s, err := session.Load(file)
		if errors.Is(err, fs.ErrNotExist) {
			return withHint(err, "give the session.toml that dartfall new wrote, or its folder; or the rings: --rings 400mm,800mm")
		}
		if err != nil {
			return err
		}
		for _, r := range s.Board.Rings {
			f.RingsMM = append(f.RingsMM, r.MM)
		}
		if len(f.RingsMM) == 0 && s.Board.Ring.Given() {
			f.RingsMM = []float64{s.Board.Ring.MM}
		}
		for _, a := range s.Accessories {
			f.Stickers = append(f.Stickers, face.Key{Letter: a.Letter, Name: a.Name, Colour: a.Sticker})
		}
		f.StickerMM = s.Marks.StickerSize.MM
	}
	var err error
	if text := ctx.String("rings"); text != "" {
		if f.RingsMM, err = units.Lengths(text); err != nil {
			return usagef("--rings: %v", err)
		}
	}
	if len(f.RingsMM) == 0 {
		return withHint(usagef("nothing says how large the rings are"), "dartfall face --rings 200mm,400mm,600mm,800mm")
	}
	if f.LineMM, err = units.Length(ctx.String("line")); err != nil {
		return usagef("--line: %v", err)
	}
	switch paper := strings.ToLower(ctx.String("paper")); paper {
	case "a4":
		f.Paper = face.A4
	case "letter":
		f.Paper = face.Letter
	default:
		return usagef("--paper: %q is neither A4 nor Letter", ctx.String("paper"))
	}
	out := ctx.String("out")
	if _, err := os.Lstat(out); !errors.Is(err, fs.ErrNotExist) {
		return withHint(fmt.Errorf("%s exists and is not touched", out), "give another name with --out, or move it away first")
	}
	var b bytes.Buffer
	if err := f.PDF(&b); err != nil {
		return usageError{err}
	}
	if err := sheet.WriteFile(out, b.Bytes()); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "%s written.\n", out)
	fmt.Fprintln(c.Err, "Print at 100%, check the 100 mm bars, then measure the outermost ring with a tape in both directions.")
	return nil
}
