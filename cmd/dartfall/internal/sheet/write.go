package sheet

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"

	"github.com/google/renameio/v2"
)

// Schema is the JSON Schema (draft 2020-12) of summary.json.
//
//go:embed summary.schema.json
var Schema []byte

// Encode returns v (a Summary, or a Photo for the cache) as indented JSON with a
// final newline. Lists that are nil are written as [], so that a reader never
// meets null where a list belongs. The same value gives the same bytes.
func Encode(v any) ([]byte, error) {
	c := reflect.New(reflect.TypeOf(v))
	c.Elem().Set(deepFill(reflect.ValueOf(v)))
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(c.Interface()); err != nil {
		return nil, fmt.Errorf("cannot write the results as JSON: %v", err)
	}
	return b.Bytes(), nil
}

// deepFill copies v with every nil slice made empty; the argument is not touched.
func deepFill(v reflect.Value) reflect.Value {
	switch v.Kind() {
	case reflect.Slice:
		out := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		for i := range v.Len() {
			out.Index(i).Set(deepFill(v.Index(i)))
		}
		return out
	case reflect.Struct:
		out := reflect.New(v.Type()).Elem()
		for i := range v.NumField() {
			out.Field(i).Set(deepFill(v.Field(i)))
		}
		return out
	case reflect.Pointer:
		if v.IsNil() {
			return v
		}
		out := reflect.New(v.Type().Elem())
		out.Elem().Set(deepFill(v.Elem()))
		return out
	}
	return v
}

// Decode reads what Encode wrote for a Summary. It refuses another schema
// version and fields it does not know, since a number silently left out is worse
// than an error.
func Decode(b []byte) (Summary, error) {
	var s Summary
	if err := strict(b, &s); err != nil {
		return Summary{}, fmt.Errorf("not a summary.json of this program: %v", err)
	}
	if s.Schema != SchemaID {
		return Summary{}, fmt.Errorf("this summary.json is of version %q; this program reads %q", s.Schema, SchemaID)
	}
	return s, nil
}

// DecodePhoto reads what Encode wrote for a Photo.
func DecodePhoto(b []byte) (Photo, error) {
	var p Photo
	err := strict(b, &p)
	return p, err
}

func strict(b []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return fmt.Errorf("more text after the end of the document")
	}
	return nil
}

// csvHeader starts with the columns that design promises; more may follow, none
// may go.
var csvHeader = []string{
	"photo", "string", "accessory", "colour", "x_mm", "y_mm", "sigma_mm", "flags",
	"set_aside", "source", "cause", "confidence", "cov_xx_mm2", "cov_xy_mm2", "cov_yy_mm2",
	"x_px", "y_px", "diameter_mm", "kind", "id", "up",
}

// CSVStart is what a file by WriteCSV starts with.
const CSVStart = "photo,string,accessory,colour,x_mm,y_mm,sigma_mm,flags,"

// WriteCSV writes impacts as comma-separated values after RFC 4180 with a header
// line, UTF-8, decimal points, full precision; an unknown number is an empty
// cell. Flags are separated by spaces. Impacts removed by hand and sighters are left
// out: the list is what counts. Text that a spreadsheet would run as a formula gets a
// leading apostrophe (OWASP, "CSV Injection").
func WriteCSV(w io.Writer, impacts []Impact) error {
	c := csv.NewWriter(w)
	if err := c.Write(csvHeader); err != nil {
		return err
	}
	for _, m := range impacts {
		if !m.Counts() {
			continue
		}
		row := []string{
			text(m.Photo), text(m.String), text(m.Accessory), text(m.Colour),
			num(m.XMM), num(m.YMM), num(m.SigmaMM), text(strings.Join(m.Flags, " ")),
			text(m.SetAside), text(m.Source), text(m.Cause), num(m.Confidence),
			num(m.CovMM2[0]), num(m.CovMM2[1]), num(m.CovMM2[2]),
			num(m.XPx), num(m.YPx), num(m.DiameterMM), text(m.Kind), text(m.ID), text(m.Up),
		}
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func num(n Number) string {
	if !n.Known() {
		return ""
	}
	return strconv.FormatFloat(float64(n), 'g', -1, 64)
}

// text defuses a cell that starts like a formula, also behind leading blanks,
// which spreadsheets skip.
func text(s string) string {
	t := strings.TrimLeft(s, " \u00a0")
	if t != "" && strings.ContainsRune("=+-@\t\r\n|%＝＋－＠", []rune(t)[0]) {
		return "'" + s
	}
	return s
}

// WriteFile writes data to path whole or not at all: to a temporary file in the
// same folder, flushed to disk, then renamed. Missing folders are made. A killed
// program leaves the old file or the new one.
func WriteFile(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return fmt.Errorf("cannot make the folder for %s: %v", path, Cause(err))
	}
	if err := renameio.WriteFile(path, data, 0o644); err != nil {
		return fmt.Errorf("cannot write %s: %v", path, Cause(err))
	}
	return nil
}

// Cause is what the system said about a file, without the path and the name of the
// call: "permission denied".
func Cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// WriteResults writes summary.json and impacts.csv into dir, each whole or not
// at all, the table first: a summary.json that exists vouches for the rest.
func WriteResults(dir string, s Summary) error {
	var b bytes.Buffer
	if err := WriteCSV(&b, s.Impacts); err != nil {
		return err
	}
	if err := WriteFile(filepath.Join(dir, "impacts.csv"), b.Bytes()); err != nil {
		return err
	}
	doc, err := Encode(s)
	if err != nil {
		return err
	}
	return WriteFile(filepath.Join(dir, "summary.json"), doc)
}

// Normal95 standard deviations to either side hold 95% of a normal distribution: what
// people read after ± is always that.
const Normal95 = 1.96

// UncertaintyDecimals returns how many decimals show an uncertainty: one, and two where
// that would leave it near nothing, since no reading is exact.
func UncertaintyDecimals(v float64) int {
	if v < 0.1 {
		return 2
	}
	return 1
}
