package session

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Shot is a photo for Format: its name and the camera's clock, zero when unknown.
type Shot struct {
	Photo string
	Taken time.Time
}

// Format writes s as a commented session.toml. What s does not hold appears as a
// commented line with an example, to be filled in; so does a string for each
// photo that s does not use. Parse reads the result back as s, warnings and
// defaults apart.
func Format(s Session, photos []Shot) []byte {
	w := &writer{}
	w.line("# What happened on the day, in your words. dartfall reads this file and never")
	w.line("# changes it. A line that starts with # is a remark: take the # away and fill in.")
	w.line("# Lengths, speeds and masses carry their unit, in quotes.")
	w.line("")
	w.text("title", s.Title, "Three attachments at 25 m", "")
	w.raw("date", s.Date, "2026-06-01", "")
	w.text("place", s.Place, "the long meadow", "in words; results never carry a location from the photos")
	w.text("distance", s.Distance.Text, "25m", "muzzle to board")
	w.text("distance_how", s.DistanceHow, "tape", "tape, laser or paced")
	w.text("notes", s.Notes, "one unit of each, one day", "")

	w.section("[board]")
	w.raw("rings", ringList(s.Board.Rings), `["200mm", "400mm", "600mm", "800mm"]`, "diameters of the printed rings")
	w.text("ring", s.Board.Ring.Text, "800mm", "or only the outermost, as \"800±1mm\" if you like")
	w.text("ring_edge", s.Board.RingEdge, "outer", "the diameters are of a line's outer, middle or inner edge")
	w.text("across", s.Board.Across.Text, "799mm", "outermost ring by tape, left to right")
	w.text("down", s.Board.Down.Text, "801mm", "and top to bottom: prints stretch")
	w.text("up", s.Board.Up, "mark", "mark: an up mark is on the face; photo: trust the photo's upright")
	w.text("side", s.Board.Side, "left", "only where photos show two boards: left, right, top or bottom")
	w.text("backer", s.Board.Backer.Text, "1180mm x 1180mm", "what would still show an impact; one diameter if round")
	w.text("clean", s.Board.Clean, "IMG_0000.jpg", "photo of the clean board: what it shows is no mark")
	w.text("start", s.Board.Start, "IMG_0001.jpg", "photo before the first counted shot: its marks never count")

	w.section("[marks]")
	w.text("kind", s.Marks.Kind, "stickers", "stickers or bare (holes, dents, smudges)")
	w.text("sticker_size", s.Marks.StickerSize.Text, "19mm", "diameter")

	w.section("[darts]")
	w.text("batch", s.Darts.Batch, "batch 7, new", "")
	w.text("mass", s.Darts.MassText, "1.1g", "weigh ten and divide: joules and drop need it")
	w.text("diameter", s.Darts.Diameter.Text, "12.7mm", "")
	w.text("size", s.Darts.Size, "half length", "")
	w.number("count", s.Darts.Count, "45", "")

	w.section("[conditions]")
	w.text("wind", s.Conditions.Wind, "light, from the left", "")
	w.text("crosswind", s.Conditions.CrosswindText, "1 m/s", "from the left; negative from the right")
	w.text("temperature", s.Conditions.TemperatureText, "18 C", "")
	w.text("altitude", s.Conditions.AltitudeText, "120m", "")
	w.text("light", s.Conditions.Light, "overcast", "")

	w.section("[velocity]")
	w.text("unit", s.Velocity.Unit, "fps", "of the readings below: fps or m/s")
	w.text("cap", s.Velocity.CapText, "250fps", "the venue's cap")
	w.text("how", s.Velocity.How, "optical chronograph, 1 m from the muzzle", "")

	w.section("[outliers]")
	w.line("# One rule for every accessory. All shots are always shown beside it.")
	w.text("rule", s.Outliers.Rule, "drop", "none; drop: leave the widest out; test: a stated chance of a false alarm")
	w.number("drop", s.Outliers.Drop, "2", "with rule = \"drop\"")
	chance := ""
	if s.Outliers.Rule == "test" && s.Outliers.Chance > 0 {
		chance = strconv.FormatFloat(s.Outliers.Chance, 'f', -1, 64)
	}
	w.raw("chance", chance, `"1%"`, "with rule = \"test\"")
	w.text("decided", s.Outliers.Decided, "before shooting", "before shooting, before photos or after photos")

	w.line("")
	w.line("# What is compared, one section each. The sticker's colour tells them apart.")
	w.line("# Colours: " + strings.Join(Colours(), ", ") + ".")
	for i, a := range s.Accessories {
		w.accessory(a, string(rune('A'+i%26)))
	}
	if len(s.Accessories) == 0 {
		w.off = "#"
		w.accessory(Accessory{Name: "North", Sticker: "blue"}, "A")
		w.off = ""
	}

	w.line("")
	w.line("# What was shot: one section for each run of shots, in the order shot. shots counts")
	w.line("# every shot fired for the record, misses those that left no mark on the board.")
	used := map[string]bool{s.Board.Start: true, s.Board.Clean: true}
	taken := map[string]time.Time{}
	for _, p := range photos {
		taken[p.Photo] = p.Taken
	}
	for _, t := range s.Strings {
		used[t.Photo] = true
		w.run(t, taken[t.Photo])
	}
	name := "North"
	if len(s.Accessories) > 0 {
		name = s.Accessories[0].Name
	}
	w.off = "#"
	for _, p := range photos {
		if !used[p.Photo] {
			w.run(String{Accessory: name, Photo: p.Photo, Shots: 15}, p.Taken)
		}
	}
	if len(photos) == 0 && len(s.Strings) == 0 {
		w.run(String{Accessory: name, Photo: "IMG_0002.jpg", Shots: 15}, time.Time{})
	}
	return []byte(w.String())
}

type writer struct {
	strings.Builder
	off string // "#" while everything is only an example
}

func (w *writer) line(s string) { w.WriteString(s + "\n") }

func (w *writer) section(name string) { w.line("\n" + w.off + name) }

// raw writes key = value, or the example behind a # when value is "".
func (w *writer) raw(key, value, example, remark string) {
	off := w.off
	if value == "" {
		off, value = "#", example
	}
	l := fmt.Sprintf("%s%s = %s", off, key, value)
	if remark != "" {
		l = fmt.Sprintf("%-34s # %s", l, remark)
	}
	w.line(l)
}

func (w *writer) text(key, value, example, remark string) {
	if value != "" {
		value = quote(value)
	}
	w.raw(key, value, quote(example), remark)
}

func (w *writer) number(key string, value int, example, remark string) {
	text := ""
	if value != 0 {
		text = strconv.Itoa(value)
	}
	w.raw(key, text, example, remark)
}

func (w *writer) accessory(a Accessory, letter string) {
	w.section("[[accessory]]")
	w.text("name", a.Name, "North", "")
	w.text("letter", a.Letter, letter, "in pictures, always with a shape and a colour")
	w.text("sticker", a.Sticker, "blue", "")
	baseline := ""
	if a.Baseline {
		baseline = "true"
	}
	w.raw("baseline", baseline, "true", "what the others are compared with")
	w.text("obtained", a.Obtained, "bought", "bought, gift or loan: say it in the video too")
	price := ""
	if a.HasPrice {
		price = amount(a.Price)
	}
	w.raw("price", price, "12.50", "")
	delivery := ""
	if a.Delivery > 0 {
		delivery = amount(a.Delivery)
	}
	w.raw("delivery", delivery, "3.90", "")
	w.text("currency", a.Currency, "EUR", "")
	w.raw("price_date", a.PriceDate, "2026-05-20", "")
	w.text("where", a.Where, "the maker's shop", "")
	w.text("notes", a.Notes, "as delivered", "")
}

func (w *writer) run(t String, taken time.Time) {
	w.section("[[string]]")
	clock := ""
	if !taken.IsZero() {
		clock = "taken " + taken.Format("2006-01-02 15:04:05")
	}
	w.text("accessory", t.Accessory, "North", "")
	w.text("photo", t.Photo, "IMG_0002.jpg", clock)
	fresh := ""
	if t.Fresh {
		fresh = "true"
	}
	w.raw("fresh", fresh, "true", "a new face was put up before this string")
	w.number("shots", t.Shots, "15", "")
	w.number("misses", t.Misses, "1", "")
	readings := ""
	if len(t.Readings) > 0 {
		list := make([]string, len(t.Readings))
		for i, r := range t.Readings {
			list[i] = amount(r)
		}
		readings = "[" + strings.Join(list, ", ") + "]"
	}
	w.raw("readings", readings, "[201.5, 200.0]", "as the chronograph showed them")
	w.text("unit", t.Unit, "fps", "")
	w.text("notes", t.Notes, "third shot: gust", "")
}

func amount(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func ringList(rings []Length) string {
	if len(rings) == 0 {
		return ""
	}
	list := make([]string, len(rings))
	for i, r := range rings {
		list[i] = quote(r.Text)
	}
	return "[" + strings.Join(list, ", ") + "]"
}

// quote writes a TOML basic string: JSON's escapes are a subset of TOML's, and
// JSON lets only the delete character through that TOML forbids.
func quote(s string) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string always encodes
	return strings.ReplaceAll(strings.TrimSuffix(b.String(), "\n"), "\x7f", `\u007F`)
}
