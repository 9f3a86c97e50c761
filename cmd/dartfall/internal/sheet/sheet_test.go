package sheet

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"
)

// sameNumber lets two unknown numbers be equal.
var sameNumber = cmp.Comparer(func(a, b Number) bool {
	return a == b || !a.Known() && !b.Known()
})

func schema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("summary.schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("summary.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// filled returns a Summary in which every list has two entries, every pointer is
// set and every string and number differs from zero.
func filled() Summary {
	var s Summary
	n := 0
	fill(reflect.ValueOf(&s).Elem(), &n)
	s.Schema = SchemaID
	sha := strings.Repeat("0f", 32)
	for i := range s.Photos {
		p := &s.Photos[i]
		p.State, p.SHA256, p.Up.Source = Measured, sha, "mark"
		p.OverlaySHA256, p.Flat.SHA256 = sha, sha
		for j := range p.Grade {
			p.Grade[j].Level, p.Grade[j].Check = "good", "blur"
		}
		for j := range p.Rings {
			p.Rings[j].Edge, p.Rings[j].Seen = "outer", 0.9
		}
		for j := range p.Marks {
			impact(&p.Marks[j])
		}
	}
	for i := range s.Impacts {
		impact(&s.Impacts[i])
	}
	s.Session.SpeedUnit = "fps"
	for i := range s.Accessories {
		s.Accessories[i].Obtained = "loan"
	}
	s.Rule.Kind, s.Rule.Decided = "drop", "before shooting"
	for i := range s.Comparisons {
		c := &s.Comparisons[i]
		c.Verdict, c.P, c.PAdjusted, c.Luck, c.CentreP = Leaning, 0.04, 0.08, 0.3, 0.5
	}
	for i := range s.Provenance.Files {
		s.Provenance.Files[i].SHA256 = sha
	}
	level(reflect.ValueOf(&s).Elem())
	return s
}

func impact(m *Impact) {
	m.Kind, m.Source, m.SetAside, m.Confidence, m.Visible = "sticker", Found, Outlier, 0.99, 1
}

// level sets every Estimate's Level to 0.95.
func level(v reflect.Value) {
	switch v.Kind() {
	case reflect.Struct:
		if e, ok := v.Addr().Interface().(*Estimate); ok {
			e.Level = 0.95
		}
		for i := range v.NumField() {
			level(v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			level(v.Index(i))
		}
	case reflect.Pointer:
		if !v.IsNil() {
			level(v.Elem())
		}
	}
}

func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.String:
		v.SetString("text " + strconv.Itoa(*n))
	case reflect.Int:
		v.SetInt(int64(*n))
	case reflect.Float64:
		v.SetFloat(float64(*n) / 7)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range 2 {
			fill(v.Index(i), n)
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), n)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	}
}

func TestEncodedSummaryObeysSchema(t *testing.T) {
	unknown := filled()
	for i := range unknown.Groups {
		unknown.Groups[i].All.SigmaMM = Estimate{Unknown(), Unknown(), Number(math.Inf(1)), Unknown(), true, Unknown()}
		unknown.Groups[i].Without = nil
	}
	unknown.Flight = nil
	for _, test := range []struct {
		name string
		s    Summary
	}{
		{"filled", filled()},
		{"unknown figures", unknown},
		{"empty", Summary{Schema: SchemaID, Rule: OutlierRule{Kind: "none"}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			b, err := Encode(test.s)
			if err != nil {
				t.Fatal(err)
			}
			doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			if err := schema(t).Validate(doc); err != nil {
				t.Errorf("%v\n%s", err, b)
			}
			back, err := Decode(b)
			if err != nil {
				t.Fatal(err)
			}
			again, err := Encode(back)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(b), string(again)); d != "" {
				t.Errorf("encode, decode, encode changed the document:\n%s", d)
			}
		})
	}
	if d := cmp.Diff(filled(), mustDecode(t, filled()), sameNumber); d != "" {
		t.Errorf("decoded summary differs:\n%s", d)
	}
}

func mustDecode(t *testing.T, s Summary) Summary {
	t.Helper()
	b, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	s, err = Decode(b)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The schema must be able to fail: each of these documents is wrong.
func TestSchemaRefuses(t *testing.T) {
	for _, test := range []struct {
		name string
		edit func(m map[string]any)
	}{
		{"field missing", func(m map[string]any) { delete(m, "groups") }},
		{"field unknown", func(m map[string]any) { m["score"] = 7 }},
		{"other version", func(m map[string]any) { m["schema"] = "dartfall-summary-0" }},
		{"text for a number", func(m map[string]any) {
			m["impacts"].([]any)[0].(map[string]any)["x_mm"] = "12"
		}},
		{"verdict invented", func(m map[string]any) {
			m["comparisons"].([]any)[0].(map[string]any)["verdict"] = "wins"
		}},
		{"chance above one", func(m map[string]any) {
			m["comparisons"].([]any)[0].(map[string]any)["p"] = 1.5
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			b, err := Encode(filled())
			if err != nil {
				t.Fatal(err)
			}
			var m map[string]any
			if err := json.Unmarshal(b, &m); err != nil {
				t.Fatal(err)
			}
			test.edit(m)
			if err := schema(t).Validate(m); err == nil {
				t.Error("Validate = nil, want an error")
			}
		})
	}
}

// Every field of every Go type stands in the schema, with the same name, and the
// other way round.
func TestSchemaMatchesTypes(t *testing.T) {
	var doc struct {
		object
		Defs map[string]object `json:"$defs"`
	}
	if err := json.Unmarshal(Schema, &doc); err != nil {
		t.Fatal(err)
	}
	seen := map[reflect.Type]bool{}
	var walk func(ty reflect.Type)
	walk = func(ty reflect.Type) {
		for ty.Kind() == reflect.Slice || ty.Kind() == reflect.Array || ty.Kind() == reflect.Pointer {
			ty = ty.Elem()
		}
		if ty.Kind() != reflect.Struct || seen[ty] {
			return
		}
		seen[ty] = true
		def := doc.Defs[ty.Name()]
		if ty.Name() == "Summary" {
			def = doc.object
		}
		var names []string
		for i := range ty.NumField() {
			names = append(names, ty.Field(i).Tag.Get("json"))
			walk(ty.Field(i).Type)
		}
		var inSchema []string
		for n := range def.Properties {
			inSchema = append(inSchema, n)
		}
		slices.Sort(names)
		slices.Sort(inSchema)
		slices.Sort(def.Required)
		if !slices.Equal(names, inSchema) || !slices.Equal(names, def.Required) || def.Additional {
			t.Errorf("%s: Go has %q, schema properties %q, required %q, additional %v",
				ty.Name(), names, inSchema, def.Required, def.Additional)
		}
	}
	walk(reflect.TypeFor[Summary]())
	if len(seen) != len(doc.Defs) { // Summary is no $def, Number is no struct
		t.Errorf("%d Go types, %d in the schema", len(seen), len(doc.Defs))
	}
}

type object struct {
	Properties map[string]any `json:"properties"`
	Required   []string       `json:"required"`
	Additional bool           `json:"additionalProperties"`
}

func TestDecodeRefuses(t *testing.T) {
	good, err := Encode(filled())
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ name, in, want string }{
		{"nothing", "", "EOF"},
		{"another version", strings.Replace(string(good), SchemaID, "dartfall-summary-99", 1), "dartfall-summary-99"},
		{"unknown field", `{"scheme": "x"}`, "scheme"},
		{"two documents", string(good) + string(good), "more text"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := Decode([]byte(test.in))
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("Decode error = %v, want one with %q", err, test.want)
			}
		})
	}
}

// Cells that spreadsheets take for formulas, after OWASP, "CSV Injection".
func TestWriteCSVDefusesFormulas(t *testing.T) {
	for _, test := range []struct{ in, want string }{
		{"North", "North"},
		{`=HYPERLINK("http://x")`, `'=HYPERLINK("http://x")`},
		{"+1", "'+1"}, {"-1", "'-1"}, {"@SUM(A1)", "'@SUM(A1)"}, {"\t=1", "'\t=1"}, {"\r=1", "'\r=1"},
		{" =1", "' =1"}, {"＝1", "'＝1"},
		{"a, \"b\"\nc", "a, \"b\"\nc"}, {"", ""}, {"Nørth", "Nørth"},
	} {
		var b bytes.Buffer
		if err := WriteCSV(&b, []Impact{{Accessory: test.in, XMM: -30.25, YMM: Unknown(), Flags: []string{"touching", "off-face"}}}); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		// encoding/csv reads \r\n inside quotes as \n; a bare \r stays.
		if got := rows[1][2]; got != test.want {
			t.Errorf("accessory %q is written as %q, want %q", test.in, got, test.want)
		}
		if got, want := rows[1][4:8], []string{"-30.25", "", "0", "touching off-face"}; !slices.Equal(got, want) {
			t.Errorf("numbers and flags = %q, want %q", got, want)
		}
	}
}

func TestWriteCSVStartsWithPromisedColumns(t *testing.T) {
	var b bytes.Buffer
	if err := WriteCSV(&b, []Impact{{Source: Removed}}); err != nil {
		t.Fatal(err)
	}
	const want = "photo,string,accessory,colour,x_mm,y_mm,sigma_mm,flags,"
	if !strings.HasPrefix(b.String(), want) || strings.Count(b.String(), "\n") != 1 {
		t.Errorf("CSV of one removed impact = %q, want the header alone, starting %q", b.String(), want)
	}
}

func TestCSVKeepsEveryDigit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64().Draw(t, "x")
		got, err := strconv.ParseFloat(num(Number(x)), 64)
		if err != nil || got != x {
			t.Fatalf("%v is written as %q", x, num(Number(x)))
		}
	})
}

func TestWriteResults(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "results")
	s := filled()
	for range 2 { // the second run replaces the first
		if err := WriteResults(dir, s); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(filepath.Join(dir, "summary.json"))
	if err != nil {
		t.Fatal(err)
	}
	if want, _ := Encode(s); !bytes.Equal(b, want) {
		t.Error("summary.json is not what Encode gives")
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 2 {
		t.Errorf("%v in the folder, want impacts.csv and summary.json alone", entries)
	}
	if err := WriteFile(filepath.Join(dir, "summary.json", "x"), nil); err == nil {
		t.Error("WriteFile into a file as if it were a folder = nil, want an error")
	}
}

func FuzzDecode(f *testing.F) {
	good, err := Encode(filled())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"schema":"dartfall-summary-2","impacts":[{"x_mm":null}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Decode(b)
		if err != nil {
			return
		}
		one, err := Encode(s)
		if err != nil {
			t.Fatal(err)
		}
		s, err = Decode(one)
		if err != nil {
			t.Fatalf("cannot read back %s: %v", one, err)
		}
		two, err := Encode(s)
		if err != nil || !bytes.Equal(one, two) {
			t.Fatalf("second encoding differs: %v", err)
		}
	})
}

// An uncertainty never reads as none.
func TestUncertaintyDecimals(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want string
	}{{1.26, "1.3"}, {0.1, "0.1"}, {0.094, "0.09"}, {0.02, "0.02"}} {
		if got := strconv.FormatFloat(c.v, 'f', UncertaintyDecimals(c.v), 64); got != c.want {
			t.Errorf("%v is shown as %s, want %s", c.v, got, c.want)
		}
	}
}

// Results of older versions have one diameter a ring.
func TestRadii(t *testing.T) {
	p := Photo{Rings: []Ring{{DiameterMM: 797, OuterMM: 800, InnerMM: 794}, {DiameterMM: 600, OuterMM: 600, InnerMM: 600}, {DiameterMM: 400}}}
	if got := p.RadiiMM(); !slices.Equal(got, []float64{400, 397, 300, 200}) {
		t.Errorf("%v", got)
	}
}
