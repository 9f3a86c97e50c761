// Package sheet is the saved document of a session: what was measured, from
// which photo, how sure, and what was made of it. Its types are summary.json,
// field by field; summary.schema.json beside this file is the same document as a
// JSON Schema. The package refuses to compute anything: figures come in finished
// and go out unchanged, at full precision.
//
// Lengths are millimetres in the board frame (origin at the ring centre, x to
// the right, y up as the shooter sees the board) unless a name says otherwise;
// photo positions are pixels of the upright photo, the centre of the top-left
// pixel being (0, 0), y down. Angles are degrees here, because the file is read
// by people.
//
// A figure that cannot be given (no interval at n = 1, no upper end when darts
// missed the board) is null, never 0 and never left out.
package sheet

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"

	"dartfall/calib"
)

// SchemaID names the version of the document. Raise it when a field changes its
// meaning or goes; adding one that readers may ignore keeps it.
const SchemaID = "dartfall-summary-2"

// Number is a float64 that may be unknown: NaN and the infinities are written as
// null and null is read as NaN.
type Number float64

// Unknown is the Number written as null.
func Unknown() Number { return Number(math.NaN()) }

// Known reports whether n is a finite number.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes the shortest decimal that reads back as the same float64.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads a JSON number or null.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Unknown()
		return nil
	}
	var f float64
	err := json.Unmarshal(b, &f)
	*n = Number(f)
	return err
}

// NoEstimate is the Estimate of which nothing is known.
func NoEstimate() Estimate {
	return Estimate{Value: Unknown(), Low: Unknown(), High: Unknown(), Level: Unknown(), MeasuredTo: Unknown()}
}

// Estimate is a figure with its interval. Low or High is null where the data set
// no bound (misses: a size "at least" Value has High null).
type Estimate struct {
	Value   Number `json:"value"`
	Low     Number `json:"low"`
	High    Number `json:"high"`
	Level   Number `json:"level"`    // 0.95 for a 95% interval
	AtLeast bool   `json:"at_least"` // shots missed the board: the true figure is no smaller
	// MeasuredTo is the 95% interval, plus or minus, of this very group's figure as it
	// was read from the photos: pixels, plane, lens and the rings' given diameter. Low
	// and High are about other groups of the same part; null when unknown.
	MeasuredTo Number `json:"measured_to"`
}

// Point is a position on the board in mm.
type Point struct {
	XMM Number `json:"x_mm"`
	YMM Number `json:"y_mm"`
}

// Summary is summary.json: the whole session.
type Summary struct {
	Schema      string       `json:"schema"` // SchemaID
	Answer      string       `json:"answer"` // one sentence: what the session shows
	Session     Session      `json:"session"`
	Accessories []Accessory  `json:"accessories"` // in the session's order
	Strings     []String     `json:"strings"`     // in the order shot
	Photos      []Photo      `json:"photos"`      // in the order taken
	Impacts     []Impact     `json:"impacts"`     // what impacts.csv lists, in the same order
	Rule        OutlierRule  `json:"outlier_rule"`
	Groups      []Group      `json:"groups"` // one per accessory, same order
	Comparisons []Comparison `json:"comparisons"`
	Velocities  []Velocity   `json:"velocities"` // one per accessory with readings
	Flight      *Flight      `json:"flight"`     // null without distance and readings
	Decisions   []Decision   `json:"decisions"`  // made by hand, oldest first
	Warnings    []string     `json:"warnings"`
	Cautions    []string     `json:"cautions"` // eyes and range
	Provenance  Provenance   `json:"provenance"`
}

// FaceRadiiMM returns the radii of the rings that the user gave, as given, largest
// first, from the first photo that shows any; the radii of all circles found when
// none was given, nil when none was found.
func (s Summary) FaceRadiiMM() []float64 {
	for _, p := range s.Photos {
		var given, all []float64
		for _, r := range p.Rings {
			if !r.DiameterMM.Known() {
				continue
			}
			all = append(all, float64(r.DiameterMM)/2)
			if r.Given && r.ResidualMM.Known() {
				given = append(given, float64(r.DiameterMM-r.ResidualMM)/2)
			}
		}
		if len(given) > 0 {
			all = given
		}
		if len(all) > 0 {
			slices.Sort(all)
			slices.Reverse(all)
			return all
		}
	}
	return nil
}

// Stickers reports whether any impact that counts is a sticker's.
func (s Summary) Stickers() bool {
	return slices.ContainsFunc(s.Impacts, func(m Impact) bool { return m.Counts() && m.Kind != "bare" })
}

// SetsAside reports whether the outlier rule has figures of its own in any group.
func (s Summary) SetsAside() bool {
	return slices.ContainsFunc(s.Groups, func(g Group) bool { return g.Without != nil })
}

// OneBoard reports whether the impacts belong on one drawing: they are the strings of
// a session, or all on one photo. Photos without strings may be of different boards,
// or show the same shots again.
func (s Summary) OneBoard() bool {
	boards := 0
	for _, p := range s.Photos {
		if p.Plane != nil {
			boards++
		}
	}
	return len(s.Strings) > 0 || boards <= 1
}

// Session holds what the person wrote down about the day.
type Session struct {
	Title           string   `json:"title"`
	Date            string   `json:"date"` // YYYY-MM-DD or ""
	Place           string   `json:"place"`
	DistanceMM      Number   `json:"distance_mm"`
	DistanceText    string   `json:"distance_text"` // as typed, "25 m"
	DistanceHow     string   `json:"distance_how"`  // tape, laser, paced
	WindText        string   `json:"wind_text"`
	TemperatureText string   `json:"temperature_text"`
	DartText        string   `json:"dart_text"`
	DartMassG       Number   `json:"dart_mass_g"`
	LightText       string   `json:"light_text"`
	SpeedUnit       string   `json:"speed_unit"` // fps or m/s: how readings were typed and are shown; "" without any
	SpeedHow        string   `json:"speed_how"`  // chronograph and place, in words
	CapMPS          Number   `json:"cap_mps"`    // velocity cap of the venue
	Notes           []string `json:"notes"`
}

// Accessory is one thing compared. Letter, shape and colour identify it in every
// picture, always all three.
type Accessory struct {
	Name          string `json:"name"`
	Letter        string `json:"letter"`
	StickerColour string `json:"sticker_colour"`
	Baseline      bool   `json:"baseline"` // what the others are compared with
	Obtained      string `json:"obtained"` // bought, gift, loan or ""
	Price         *Price `json:"price"`    // null when not given
}

// Price is what one unit cost, delivered, on a day.
type Price struct {
	Amount    Number `json:"amount"`
	Delivery  Number `json:"delivery"`  // on top of Amount; 0 when included
	Delivered Number `json:"delivered"` // both together
	Currency  string `json:"currency"`
	Date      string `json:"date"`
	Where     string `json:"where"`
}

// String is one run of shots with one accessory.
type String struct {
	Name      string   `json:"name"`
	Accessory string   `json:"accessory"`
	Photo     string   `json:"photo"`
	Order     int      `json:"order"` // 1 for the first shot
	Shots     int      `json:"shots"` // declared; 0 when not
	Misses    int      `json:"misses"`
	Found     int      `json:"found"`      // marks that count
	SeenAgain int      `json:"seen_again"` // marks on its photo that were on the board before
	Gone      []string `json:"gone"`       // earlier marks not seen on its photo, in words
	Open      string   `json:"open"`       // why new marks cannot be told from earlier ones; else ""
	LeftOut   string   `json:"left_out"`   // why the string is not in the figures; else ""
	Readings  []Number `json:"readings_mps"`
	Notes     string   `json:"notes"`
}

// The states of a Photo.
const (
	Measured = "measured"
	Rough    = "rough"   // numbers are given, with a reason for care: wide intervals, marks that may be lacking
	Refused  = "refused" // nothing in it could be trusted
	Failed   = "failed"  // could not be read
)

// Photo is one photograph and all that was seen on it.
type Photo struct {
	Name      string   `json:"name"`
	SHA256    string   `json:"sha256"`
	WidthPx   int      `json:"width_px"`
	HeightPx  int      `json:"height_px"`
	Taken     string   `json:"taken"`  // camera clock, "2026-06-01T10:16:40"; "" when unknown
	State     string   `json:"state"`  // measured, rough, refused or failed
	Reason    string   `json:"reason"` // why refused, failed or rough; else ""
	Advice    string   `json:"advice"` // what to do next; else ""
	Grade     []Grade  `json:"grade"`
	Plane     *Plane   `json:"plane"` // null when refused or failed
	Rings     []Ring   `json:"rings"`
	Up        Up       `json:"up"`
	Marks     []Impact `json:"marks"`      // every mark seen, of this string or an earlier one
	Flat      *Flat    `json:"flat"`       // null without pictures
	OverlayAt string   `json:"overlay_at"` // file beside summary.json; ""
	// OverlaySHA256 is that of the file as it was drawn from these figures; "".
	OverlaySHA256 string   `json:"overlay_sha256"`
	Warnings      []string `json:"warnings"`
}

// Grade is one check of a photo's quality.
type Grade struct {
	Check  string `json:"check"` // sampling, tilt, blur, light, glare, colour, ring-seen, ring-fit, plane, overlooked
	Value  Number `json:"value"`
	Unit   string `json:"unit"`
	Level  string `json:"level"`  // good, rough, refused
	Words  string `json:"words"`  // one plain line
	Advice string `json:"advice"` // what to do about it; "" when good
}

// Plane is the map from photo to board.
type Plane struct {
	Method           string    `json:"method"` // two or more rings, one ring and its centre mark, one ring and the camera's focal length, points given by hand
	Homography       [9]Number `json:"homography"`
	LensCentrePx     [2]Number `json:"lens_centre_px"`
	LensScalePx      Number    `json:"lens_scale_px"`
	LensK1           Number    `json:"lens_k1"`
	LensK2           Number    `json:"lens_k2"`
	ResidualPx       Number    `json:"residual_px"` // robust standard deviation of ring edges (or points given) from the model
	ResidualMM       Number    `json:"residual_mm"`
	EdgePoints       int       `json:"edge_points"`
	ScaleSigma       Number    `json:"scale_sigma"` // relative, all lengths together
	TiltDeg          Number    `json:"tilt_deg"`
	PxPerMM          Number    `json:"px_per_mm"` // lowest sampling at the centre
	SigmaCentreMM    Number    `json:"sigma_centre_mm"`
	SigmaOuterRingMM Number    `json:"sigma_outer_ring_mm"` // worst on the outer ring
	Bow              *Bow      `json:"bow"`                 // null when the face is taken as flat
	// Covariance is the upper triangle, row by row, of that of calib.Rectification.Cov.
	Covariance [covariances]Number `json:"covariance"`
}

// ByPoints reports whether the plane rests on points given by hand: no ring was looked at.
func (p *Plane) ByPoints() bool { return p.Method == "points given by hand" }

// covariances counts the entries of a symmetric matrix of the plane's parameters.
const covariances = calib.NumFree * (calib.NumFree + 1) / 2

// Bow is calib.Bow: the surface of a face that is not flat, in the board's frame without
// its turn to up.
type Bow struct {
	EyeMM   [3]Number `json:"eye_mm"`
	ReachMM Number    `json:"reach_mm"`
	LiftMM  [3]Number `json:"lift_mm"`
}

// Ring is one circle of the face as it was used.
type Ring struct {
	DiameterMM Number `json:"diameter_mm"`
	OuterMM    Number `json:"outer_mm"` // diameters of the line's two edges, alike of a border; 0 in older results
	InnerMM    Number `json:"inner_mm"`
	Given      bool   `json:"given"`       // by the user; else measured
	Edge       string `json:"edge"`        // outer, middle or inner
	Seen       Number `json:"seen"`        // share of the circumference, 0 to 1
	ResidualMM Number `json:"residual_mm"` // diameter found less diameter given; null when not given
}

// RadiiMM lists the edges of the photo's rings.
func (p Photo) RadiiMM() (radii []float64) {
	for _, r := range p.Rings {
		outer := cmp.Or(r.OuterMM, r.DiameterMM)
		radii = append(radii, float64(outer)/2)
		if r.InnerMM > 0 && r.InnerMM < outer {
			radii = append(radii, float64(r.InnerMM)/2)
		}
	}
	return radii
}

// Up says where the direction of "up" comes from. Width, height and windage rest
// on it; sizes do not.
type Up struct {
	Source   string `json:"source"` // mark (printed), photo (its upright) or points (given by hand)
	SigmaDeg Number `json:"sigma_deg"`
	Words    string `json:"words"`
}

// Flat says how the squared-up picture maps to the board: pixel = centre +
// (x, -y) times px_per_mm.
type Flat struct {
	File     string    `json:"file"`   // beside summary.json
	SHA256   string    `json:"sha256"` // of the file as it was drawn from these figures
	WidthPx  int       `json:"width_px"`
	HeightPx int       `json:"height_px"`
	PxPerMM  Number    `json:"px_per_mm"`
	CentrePx [2]Number `json:"centre_px"`
}

// Sources of an impact.
const (
	Found   = "found"   // by the program
	Added   = "added"   // by hand
	Moved   = "moved"   // found, then moved by hand
	Removed = "removed" // found, then removed by hand; kept here, never counted
)

// Reasons for setting an impact aside.
const (
	Outlier = "outlier" // by the session's rule: not in the figures "without"
	Flyer   = "flyer"   // a cause was stated: not in the figures "without flyers"
	Sighter = "sighter" // a shot before the counted ones, by hand: in no figure
)

// Counts reports whether the impact is in any figure.
func (m Impact) Counts() bool { return m.Source != Removed && m.SetAside != Sighter }

// Impact is one mark on the board and what it stands for.
type Impact struct {
	ID         string    `json:"id"` // unique in the session and stable over re-runs: "demo-1.jpg#7"
	Photo      string    `json:"photo"`
	String     string    `json:"string"`    // "" while not assigned
	Accessory  string    `json:"accessory"` // "" while not assigned
	Colour     string    `json:"colour"`
	Kind       string    `json:"kind"` // sticker or bare
	XMM        Number    `json:"x_mm"`
	YMM        Number    `json:"y_mm"`
	SigmaMM    Number    `json:"sigma_mm"` // per axis: root of the mean of the two variances
	CovMM2     [3]Number `json:"cov_mm2"`  // xx, xy, yy of the whole photo budget
	Up         string    `json:"up"`       // what +y rests on, as in Up.Source
	XPx        Number    `json:"x_px"`
	YPx        Number    `json:"y_px"`
	DiameterMM Number    `json:"diameter_mm"`
	Visible    Number    `json:"visible"`    // share of the outline seen
	Confidence Number    `json:"confidence"` // 0 to 1
	Flags      []string  `json:"flags"`      // touching, hidden, off-face, ...
	Source     string    `json:"source"`     // found, added, moved or removed
	Cause      string    `json:"cause"`      // stated cause of a flyer; else ""
	SetAside   string    `json:"set_aside"`  // outlier, flyer, sighter or ""
}

// OutlierRule is the one rule for every accessory.
type OutlierRule struct {
	Words   string `json:"words"`    // in a plain sentence
	Kind    string `json:"kind"`     // none, drop or test
	Drop    int    `json:"drop"`     // for drop: how many
	Chance  Number `json:"chance"`   // for test: of flagging anything in a clean group
	Decided string `json:"decided"`  // before shooting, before photos, after photos, or ""
	ByLuck  string `json:"by_luck"`  // what the rule does to a clean group
	Stated  bool   `json:"stated"`   // written in the session file
	InForce bool   `json:"in_force"` // false: only "all shots" is published
}

// Group is one accessory's impacts, always both ways.
type Group struct {
	Accessory string `json:"accessory"`
	Letter    string `json:"letter"`
	Shots     int    `json:"shots"`  // declared; 0 when not
	Misses    int    `json:"misses"` // as stated
	// Unaccounted shots left neither a mark nor a stated miss: sizes are then at least so
	// large, as with misses, but SigmaOfAllMM is not known.
	Unaccounted int     `json:"unaccounted"`
	All         Figures `json:"all"`
	// SigmaOfAllMM counts the misses into sigma by the size of the board and what is
	// behind it; null without misses or that size.
	SigmaOfAllMM *Estimate `json:"sigma_of_all_mm"`
	Without      *Figures  `json:"without"` // null when no rule is in force
	// WithoutFlyers leaves out the shots with a stated cause; null without any.
	WithoutFlyers *Figures `json:"without_flyers"`
	// Shrinkage is what dropping as many does to the extreme spread of a clean
	// normal group of this n by luck alone, as a share; null without a drop rule.
	ShrinkageByLuck Number `json:"shrinkage_by_luck"`
	// MissesDropped are the shots without a mark among those dropped as the widest.
	MissesDropped int      `json:"misses_dropped"`
	Warnings      []string `json:"warnings"`
}

// Dropped is how many shots Without leaves out.
func (g Group) Dropped() int { return g.All.N - g.Without.N + g.MissesDropped }

// Missed is how many shots missed the board, as every figure counts them.
func (g Group) Missed() int { return g.Misses + g.Unaccounted }

// Figures are the sizes of one group of impacts. Spreads are centre to centre.
type Figures struct {
	N               int       `json:"n"`
	CentreMM        Point     `json:"centre"`
	OffsetMM        Estimate  `json:"offset_mm"` // of the centre from the ring centre
	ExtremeSpreadMM Estimate  `json:"extreme_spread_mm"`
	ExtremePair     [2]string `json:"extreme_pair"` // impact IDs; "" when n < 2
	MeanRadiusMM    Estimate  `json:"mean_radius_mm"`
	SigmaMM         Estimate  `json:"sigma_mm"`
	SigmaXMM        Estimate  `json:"sigma_x_mm"`
	SigmaYMM        Estimate  `json:"sigma_y_mm"`
	Radius50MM      Estimate  `json:"radius_50_mm"`
	Radius90MM      Estimate  `json:"radius_90_mm"`
	WidthMM         Estimate  `json:"width_mm"`
	HeightMM        Estimate  `json:"height_mm"`
	// Angles at the session's distance, milliradian and minutes of angle; null
	// without a distance. Other sizes scale alike.
	ExtremeSpreadMrad Number `json:"extreme_spread_mrad"`
	ExtremeSpreadMOA  Number `json:"extreme_spread_moa"`
	MeanRadiusMrad    Number `json:"mean_radius_mrad"`
	MeanRadiusMOA     Number `json:"mean_radius_moa"`
	SigmaMrad         Number `json:"sigma_mrad"`
	SigmaMOA          Number `json:"sigma_moa"`
}

// Verdicts of a Comparison, the only three, and what stands there without one.
const (
	ClearlyTighter = "clearly tighter"
	Leaning        = "leaning, not settled"
	NoDifference   = "no difference visible"
	TooFew         = "too few impacts to compare" // fewer than three on one side
	CheckShots     = "check the numbers of shots" // more marks than shots, or shots unaccounted for decide
)

// Comparison is one pair of accessories.
type Comparison struct {
	A             string   `json:"a"` // names, in the session's order
	B             string   `json:"b"`
	Tighter       string   `json:"tighter"` // A's or B's name by the figures; "" when equal
	Verdict       string   `json:"verdict"`
	Words         string   `json:"words"`          // one plain sentence
	SigmaRatio    Estimate `json:"sigma_ratio"`    // A over B: below 1, A is tighter
	MeanRadRatio  Estimate `json:"mean_rad_ratio"` // A over B
	P             Number   `json:"p"`
	PAdjusted     Number   `json:"p_adjusted"` // for the number of pairs tested
	Luck          Number   `json:"luck"`       // how often identical parts differ as much
	CentreShiftMM Estimate `json:"centre_shift_mm"`
	CentreP       Number   `json:"centre_p"`
	ShotsToSettle int      `json:"shots_to_settle"` // per accessory; 0 when settled or unknown
	Method        string   `json:"method"`
	UsesWithout   bool     `json:"uses_without"` // made on the figures without outliers
	Warnings      []string `json:"warnings"`
}

// Wider is the name of the pair's other than Tighter.
func (c Comparison) Wider() string {
	if c.Tighter == c.B {
		return c.A
	}
	return c.B
}

// Velocity is one accessory's chronograph string, m/s.
type Velocity struct {
	Accessory string   `json:"accessory"`
	Letter    string   `json:"letter"`
	N         int      `json:"n"`
	Readings  []Number `json:"readings_mps"`
	Suspect   []string `json:"suspect"` // one plain line per suspect reading
	// Without puts slips right: with what was likely meant, and without what nobody can
	// tell; null without any. With slips nothing further is computed from the mean and the
	// deviation.
	Without   *SpeedFigures `json:"without_suspect"`
	MeanMPS   Estimate      `json:"mean_mps"`
	SDMPS     Estimate      `json:"sd_mps"`
	ESMPS     Number        `json:"es_mps"` // highest minus lowest
	MinMPS    Number        `json:"min_mps"`
	MaxMPS    Number        `json:"max_mps"`
	MeanJ     Number        `json:"mean_j"`     // null without a dart mass
	AboveCap  int           `json:"above_cap"`  // readings above the cap
	CapShare  Estimate      `json:"cap_share"`  // estimated share of shots above it
	HeightMM  Estimate      `json:"height_mm"`  // vertical sigma the velocity SD alone explains
	HeightPct Estimate      `json:"height_pct"` // share of the group's vertical variance, percent; null with misses
}

// SpeedFigures sum up readings, m/s.
type SpeedFigures struct {
	N       int      `json:"n"`
	MeanMPS Estimate `json:"mean_mps"`
	SDMPS   Estimate `json:"sd_mps"`
	MinMPS  Number   `json:"min_mps"`
	MaxMPS  Number   `json:"max_mps"`
}

// Flight holds drop and wind at the session's distance, under stated assumptions.
type Flight struct {
	Assumptions string       `json:"assumptions"`
	Rows        []FlightLine `json:"rows"`
}

// FlightLine is one accessory's flight from a level start. Ranges span the plausible
// drag; they are no intervals, so their level is null.
type FlightLine struct {
	Accessory      string   `json:"accessory"`
	MuzzleSpeedMPS Number   `json:"muzzle_mps"`
	ArrivalMPS     Estimate `json:"arrival_mps"`
	TimeS          Estimate `json:"time_s"`
	DropMM         Estimate `json:"drop_mm"`
	DropPerPctMM   Estimate `json:"drop_per_percent_mm"` // height change for 1% of speed
	DriftPerMPSMM  Estimate `json:"drift_per_mps_mm"`    // per m/s of crosswind
	DriftMM        Estimate `json:"drift_mm"`            // in the session's crosswind, to the right; null when not given
}

// Decision is one change made by hand, as the decisions file has it.
type Decision struct {
	ID     string `json:"id"`
	Time   string `json:"time"`
	Photo  string `json:"photo"`
	Impact string `json:"impact"`
	Words  string `json:"words"`  // what was done, in a plain sentence
	Reason string `json:"reason"` // as the person gave it
	Fits   bool   `json:"fits"`   // false: the photo changed and it no longer applies
}

// Provenance says what made this document, so that it can be made again.
type Provenance struct {
	Program  string    `json:"program"` // "dartfall"
	Version  string    `json:"version"`
	Settings []Setting `json:"settings"` // in a fixed order
	Files    []File    `json:"files"`    // photos, session.toml, decisions: by name
}

// Setting is one option as it was in force.
type Setting struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// File is one input by content.
type File struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Cautions are the sentences shown with every result.
func Cautions() []string {
	return []string{
		"Foam darts can injure eyes: rated eye protection for everybody near, the helper at the board included; nobody forward of the muzzle.",
		"A backstop larger than the board. Local rules, the venue's cap and the field's marshals have the last word.",
	}
}
