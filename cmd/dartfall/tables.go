package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

// plainTable is a table without lines, numbers to the right from column `from` on.
func plainTable(w io.Writer, from int, header ...any) table.Writer {
	t := table.NewWriter()
	t.SetOutputMirror(w)
	style := table.StyleLight
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = text.FormatDefault
	t.SetStyle(style)
	t.AppendHeader(table.Row(header))
	var cols []table.ColumnConfig
	for i := from; i <= len(header); i++ {
		cols = append(cols, table.ColumnConfig{Number: i, Align: text.AlignRight, AlignHeader: text.AlignRight})
	}
	t.SetColumnConfigs(cols)
	return t
}

// withRange writes a figure as "384 (301–520)" with the given decimals.
func withRange(e scoring.Estimate, decimals int) string {
	if math.IsNaN(e.Value) {
		return "–"
	}
	if !e.HasInterval() {
		return fixed(e.Value, decimals)
	}
	to := "–"
	if e.Lo < 0 {
		to = " to " // beside a minus sign a dash is hard to read
	}
	return fixed(e.Value, decimals) + " (" + fixed(e.Lo, decimals) + to + fixed(e.Hi, decimals) + ")"
}

// fixed writes a number with so many decimals, without a sign when that leaves nothing.
func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("cannot write JSON: %v", err)
	}
	return nil
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	if strings.HasSuffix(what, "s") {
		what += "e"
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// chanceText writes a chance as a percentage that never reads as none or all.
func chanceText(p float64) string {
	switch {
	case p < 0.001:
		return "under 0.1%"
	case p < 0.1:
		return fmt.Sprintf("%.1f%%", 100*p)
	case p >= 0.995:
		return "over 99%"
	}
	return fmt.Sprintf("%.0f%%", 100*p)
}

// plusMinusMM writes an uncertainty, half the width of a 95% interval.
func plusMinusMM(v float64) string {
	return fmt.Sprintf("±%.*f mm", sheet.UncertaintyDecimals(v), v)
}

// sized writes a size that shots without a mark may make larger: at least so large.
func sized(atLeast bool, e scoring.Estimate, decimals int) string {
	switch {
	case !atLeast || math.IsNaN(e.Value):
		return withRange(e, decimals)
	case !e.HasInterval():
		return "≥ " + fixed(e.Value, decimals)
	}
	return fmt.Sprintf("≥ %s (%s–…)", fixed(e.Value, decimals), fixed(e.Lo, decimals))
}
