package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/units"
	"dartfall/scoring"
)

// listFlags are common to the commands that read a typed list of several accessories.
func listFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "shots", Usage: "shots fired with each accessory, as `North=15,Reed=15` or one number for all"},
		&cli.Float64Flag{Name: "level", Value: 0.95, Usage: "level of the intervals: 0.90, 0.95 or 0.99"},
		&cli.BoolFlag{Name: "json", Usage: "write JSON at full precision instead of a table"},
	}
}

// groupFlags are common to group and compare.
func groupFlags() []cli.Flag {
	return append([]cli.Flag{
		&cli.IntFlag{Name: "drop", Value: 2, Usage: "also show the figures without the `K` widest shots of every accessory (0 to 5)"},
		&cli.StringFlag{Name: "board", Usage: "the board about the ring centre, to count misses: diameter `1m`, or width x height 1m x 1.2m"},
	}, listFlags()...)
}

// readGroups is the common beginning of group and compare.
func readGroups(c console, ctx *cli.Context) ([]scoring.Group, scoring.Options, error) {
	opts := scoring.Options{Drop: ctx.Int("drop")}
	var err error
	if opts.Level, err = levelOf(ctx); err != nil {
		return nil, opts, err
	}
	if opts.Board, err = parseBoard(ctx.String("board")); err != nil {
		return nil, opts, usageError{err}
	}
	groups, err := readImpacts(c, ctx)
	return groups, opts, err
}

// levelOf is the level of the intervals asked for.
func levelOf(ctx *cli.Context) (float64, error) {
	level := ctx.Float64("level")
	if level != 0.90 && level != 0.95 && level != 0.99 {
		return 0, usagef("--level can be 0.90, 0.95 or 0.99, not %v", level)
	}
	return level, nil
}

// shotCount is a number of shots declared for a name, or for all with name "".
type shotCount struct {
	name string
	n    int
}

// parseShots reads "15" or "North=15,Reed=14".
func parseShots(s string) (counts []shotCount, err error) {
	for _, item := range strings.Split(s, ",") {
		name, number, named := strings.Cut(item, "=")
		if !named {
			name, number = "", s
		}
		n, err := strconv.Atoi(strings.TrimSpace(number))
		if err != nil || n < 1 || n > 10000 {
			return nil, usagef("--shots: %q is not a number of shots", number)
		}
		counts = append(counts, shotCount{strings.TrimSpace(name), n})
	}
	return counts, nil
}

// declareShots sets the declared shots from "15" or "North=15,Reed=14".
func declareShots(groups []scoring.Group, s string) error {
	if s == "" {
		return nil
	}
	counts, err := parseShots(s)
	if err != nil {
		return err
	}
	for _, c := range counts {
		found := c.name == ""
		for i := range groups {
			if c.name == "" || groups[i].Accessory == c.name {
				groups[i].Declared, found = c.n, true
			}
		}
		if !found {
			return usagef("--shots names %q, which is not in the list", c.name)
		}
	}
	return nil
}

// parseBoard reads a diameter or "width x height", centred on the rings; nil for "".
func parseBoard(s string) (scoring.Area, error) {
	if s == "" {
		return nil, nil
	}
	w, h, isRect := strings.Cut(strings.ReplaceAll(s, "×", "x"), "x")
	width, err := units.Length(w)
	if err != nil {
		return nil, fmt.Errorf("--board: %v", err)
	}
	if !isRect {
		return scoring.Disc{RadiusMM: width / 2}, nil
	}
	height, err := units.Length(h)
	if err != nil {
		return nil, fmt.Errorf("--board: %v", err)
	}
	half := r2.Vec{X: width / 2, Y: height / 2}
	return scoring.Rect{Min: r2.Scale(-1, half), Max: half}, nil
}
