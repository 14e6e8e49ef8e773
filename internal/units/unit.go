package units

// Unit is one row of the closed table of units. Two kinds of quantity in the
// same unit are two rows (a Length and an Offset are both mm), because the kind
// decides which sign and which message field a value has. The zero Unit is no
// unit.
type Unit uint8

// The units of the quantity types, in the order of quantity.go.
const (
	MM Unit = iota + 1
	SignedMM
	CM2
	ML
	StrokeCM
	CMPerS
	MMHg
	Percent
	MS
	Degree
	PerMin
	One
	MLPerS
	HeightCM
	KG
	M2
	MLPerM2
	MM2PerM2
	MMPerM2
	LPerMin
	Min
)

// Codes: the Unified Code for Units of Measure, case-sensitive form. Decimals
// are what is usually printed in practice; a metric's grid decides in the end.
var unitTable = [...]unitRow{
	MM:       {"Length", "mm", "mm", 1},
	SignedMM: {"Offset", "mm", "mm", 1},
	CM2:      {"Area", "cm2", "cm²", 2},
	ML:       {"Volume", "mL", "mL", 0},
	StrokeCM: {"StrokeDistance", "cm", "cm", 1},
	CMPerS:   {"Velocity", "cm/s", "cm/s", 0},
	MMHg:     {"Pressure", "mm[Hg]", "mmHg", 1},
	Percent:  {"Fraction", "%", "%", 0},
	MS:       {"Duration", "ms", "ms", 0},
	Degree:   {"Angle", "deg", "°", 0},
	PerMin:   {"Rate", "/min", "/min", 0},
	One:      {"Ratio", "1", "", 2},
	MLPerS:   {"FlowRate", "mL/s", "mL/s", 0},
	HeightCM: {"BodyHeight", "cm", "cm", 0},
	KG:       {"BodyWeight", "kg", "kg", 1},
	M2:       {"BodySurface", "m2", "m²", 2},
	MLPerM2:  {"IndexedVolume", "mL/m2", "mL/m²", 0},
	MM2PerM2: {"IndexedArea", "mm2/m2", "mm²/m²", 0},
	MMPerM2:  {"IndexedLength", "mm/m2", "mm/m²", 1},
	LPerMin:  {"CardiacOutput", "L/min", "L/min", 1},
	Min:      {"Minutes", "min", "min", 0},
}

// Units gives every unit in table order.
func Units() []Unit {
	all := make([]Unit, 0, len(unitTable)-1)
	for u := MM; u.Valid(); u++ {
		all = append(all, u)
	}
	return all
}

// UnitOfKind gives the unit of a quantity kind by its type name ("Length").
func UnitOfKind(kind string) (Unit, bool) {
	for _, u := range Units() {
		if u.Kind() == kind {
			return u, true
		}
	}
	return 0, false
}

// Valid tells whether u is a row of the table.
func (u Unit) Valid() bool { return u > 0 && int(u) < len(unitTable) }

// Kind gives the name of the quantity type, "" for no unit.
func (u Unit) Kind() string { return u.row().kind }

// UCUM gives the code of the Unified Code for Units of Measure, "" for no unit.
func (u Unit) UCUM() string { return u.row().ucum }

// Text gives the printable form; it is empty for a pure number and for no unit.
func (u Unit) Text() string { return u.row().text }

// Decimals gives the number of decimals usually printed.
func (u Unit) Decimals() int { return u.row().decimals }

// String gives the UCUM code.
func (u Unit) String() string { return u.UCUM() }

func (u Unit) row() unitRow {
	if !u.Valid() {
		return unitRow{}
	}
	return unitTable[u]
}

type unitRow struct {
	kind     string
	ucum     string
	text     string
	decimals int
}
