// Package session reads session.toml, what a person wrote down about a day of
// shooting: the board, the darts, the accessories and the strings. It refuses to
// look at photos or files other than the text it is given, and it never guesses:
// a length without a unit, an unknown key or a string of an unknown accessory is
// an error that shows the line and says what was expected.
package session

// Session is a checked session file. Anything not written is the zero value.
type Session struct {
	Title       string
	Date        string // YYYY-MM-DD
	Place       string
	Distance    Length
	DistanceHow string // tape, laser or paced
	Notes       string
	Board       Board
	Marks       Marks
	Darts       Darts
	Conditions  Conditions
	Velocity    Velocity
	Outliers    Outliers
	Accessories []Accessory // in the file's order
	Strings     []String    // in the order shot
	// Warnings are things that are allowed but that a reader of the results
	// should know, such as a face that printed stretched.
	Warnings []string
}

// Length is a length as typed and in millimetres; the zero value was not given.
type Length struct {
	Text  string
	MM    float64
	TolMM float64 // half width of "800±1mm"; 0 when not given
}

// Given reports whether the length was written.
func (l Length) Given() bool { return l.Text != "" }

// Board describes the face and what it hangs on.
type Board struct {
	Rings    []Length // all circles of the face, smallest first
	Ring     Length   // the outermost, when only that is known; else the last of Rings
	RingEdge string   // outer (default), middle or inner
	Across   Length   // outermost ring by tape, left to right
	Down     Length   // outermost ring by tape, top to bottom
	Up       string   // mark, photo or "" (whatever is found)
	Side     string   // which board, where a photo shows two: left, right, top or bottom
	Backer   Backer
	Clean    string // photo of the board before anything struck it
	Start    string // photo taken before the first counted shot
}

// Backer is the surface that still shows an impact: a disc or a rectangle about
// the ring centre. The zero value is unknown.
type Backer struct {
	Text              string
	DiameterMM        float64 // of a disc; else 0
	WidthMM, HeightMM float64 // of a rectangle; else 0
}

// Marks says what shows the impacts.
type Marks struct {
	Kind        string // stickers (default) or bare
	StickerSize Length
}

// Darts says what was shot.
type Darts struct {
	Batch    string
	MassG    float64
	MassText string
	Diameter Length
	Size     string // half length, full length, or in words
	Count    int
}

// Conditions are the day's.
type Conditions struct {
	Wind            string // in words
	CrosswindMPS    float64
	CrosswindText   string // as typed; "" when not given
	TemperatureC    float64
	TemperatureText string // "" when not given
	AltitudeM       float64
	AltitudeText    string
	Light           string
}

// Velocity is how speeds were read, and the venue's cap.
type Velocity struct {
	Unit    string // fps or m/s
	CapMPS  float64
	CapText string
	How     string // chronograph and place, in words
}

// Outliers is the one rule for all accessories.
type Outliers struct {
	Rule    string  // none, drop or test; "" when not stated
	Drop    int     // for drop
	Chance  float64 // for test: of flagging anything in a clean group
	Decided string  // before shooting, before photos or after photos
}

// Accessory is one thing compared.
type Accessory struct {
	Name      string
	Letter    string
	Sticker   string // colour name
	Baseline  bool   // what the others are compared with
	Obtained  string // bought, gift or loan
	Price     float64
	HasPrice  bool
	Delivery  float64
	Currency  string
	PriceDate string // YYYY-MM-DD
	Where     string
	Notes     string
}

// String is one run of shots with one accessory.
type String struct {
	Accessory   string
	Photo       string // file name inside the session's folder, with /
	Fresh       bool   // a new face was put up before this string
	Order       int    // 1 for the first shot
	Shots       int    // declared; 0 when not
	Misses      int
	ReadingsMPS []float64
	Readings    []float64 // as typed, in Unit
	Unit        string    // of Readings
	Notes       string
}

// Colours are the sticker colours that can be told apart, in the order they are
// listed for a reader.
func Colours() []string {
	return []string{"red", "blue", "purple", "green", "orange", "yellow", "pink", "black", "white"}
}

// Accessory returns the accessory of that name; false when there is none.
func (s Session) Accessory(name string) (Accessory, bool) {
	for _, a := range s.Accessories {
		if a.Name == name {
			return a, true
		}
	}
	return Accessory{}, false
}
