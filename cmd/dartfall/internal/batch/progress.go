package batch

import (
	"fmt"
	"io"
	"time"

	"github.com/schollz/progressbar/v3"

	"dartfall/cmd/dartfall/internal/sheet"
)

// Bar returns a Progress for a terminal: one line that moves, with the time
// left. Call done at the end, so that what follows starts on a clean line.
func Bar(w io.Writer, total int) (progress func(Event), done func()) {
	bar := progressbar.NewOptions(total,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetPredictTime(false), // its estimate counts stored photos as measured
		progressbar.OptionShowCount(),
		progressbar.OptionSetWidth(24),
		progressbar.OptionClearOnFinish(),
		progressbar.OptionSetDescription("measuring"),
	)
	_ = bar.RenderBlank() // a bar that cannot be drawn is no reason to stop
	return func(e Event) {
		text := e.Photo.Name
		if e.Left > 0 {
			text = "about " + Duration(e.Left) + " left"
		}
		bar.Describe(text)
		_ = bar.Set(e.Done)
	}, func() { _ = bar.Clear() }
}

// Lines returns a Progress for a pipe or a log: one plain line per photo.
func Lines(w io.Writer) func(Event) {
	return func(e Event) {
		width := len(fmt.Sprint(e.Total))
		fmt.Fprintf(w, "%*d/%d %s: %s", width, e.Done, e.Total, e.Photo.Name, outcome(e.Photo))
		if e.Stored {
			fmt.Fprint(w, ", from an earlier run")
		}
		if e.Left > 0 {
			fmt.Fprintf(w, ", about %s left", Duration(e.Left))
		}
		fmt.Fprintln(w)
	}
}

func outcome(p sheet.Photo) string {
	switch p.State {
	case sheet.Measured, sheet.Rough:
		marks := "marks"
		if len(p.Marks) == 1 {
			marks = "mark"
		}
		return fmt.Sprintf("%s, %d %s", p.State, len(p.Marks), marks)
	}
	return p.State
}

// Duration words a time for a person: "8 s", "3 min", "2 h 10 min".
func Duration(d time.Duration) string {
	switch d = d.Round(time.Second); {
	case d < time.Minute:
		return fmt.Sprintf("%d s", max(1, int(d.Seconds())))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Round(time.Minute).Minutes()))
	}
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}

// Closing writes what was not measured and why, and what to do about it; nothing
// when all went well. It reports whether anything was left out.
func Closing(w io.Writer, photos []sheet.Photo) (partial bool) {
	var bad []sheet.Photo
	for _, p := range photos {
		if p.State == sheet.Failed || p.State == sheet.Refused {
			bad = append(bad, p)
		}
	}
	if len(bad) == 0 {
		return false
	}
	if len(photos) == 1 {
		fmt.Fprintln(w, "the photo could not be measured:")
	} else {
		fmt.Fprintf(w, "%d of %d photos could not be measured:\n", len(bad), len(photos))
	}
	for _, p := range bad {
		fmt.Fprintf(w, "  %s: %s\n", p.Name, p.Reason)
		if p.Advice != "" {
			fmt.Fprintf(w, "      %s\n", p.Advice)
		}
	}
	return true
}
