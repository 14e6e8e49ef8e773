package metric

import (
	"slices"

	"trigone/internal/valve"
)

// Code systems.
const (
	loinc  = "http://loinc.org"
	dicom  = "http://dicom.nema.org/resources/ontology/DCM"
	snomed = "http://snomed.info/sct"
)

// Equivalence says how a public code stands to the concept of the catalogue.
type Equivalence string

// The equivalences.
const (
	Equivalent Equivalence = "equivalent"
	Wider      Equivalence = "wider"    // the public code means more than ours
	Narrower   Equivalence = "narrower" // the public code means less than ours
)

// Coding is a code in a public system and what has to be true of a value for the
// code to mean that value. An entry without any is known to our own code system
// only.
type Coding struct {
	System  string
	Code    string
	Display string // the code's own meaning: a condition is no part of it
	// Asks is what its definition asks beyond its name; empty: nothing.
	Asks string
	// Where it was seen, and whether more than its name was read there.
	Where string
	Read  bool
	// Methods, Phases and Planes are those at which it holds; empty: any. Those of a
	// value have to be stated, but for a plane where PlaneByItself says why the
	// quantity lies in none but these; another one stated is still another one.
	Methods       []valve.Method
	Phases        []valve.CardiacPhase
	Planes        []string
	PlaneByItself string
	// OfFlail restricts it to lesions that are flail.
	OfFlail     bool
	Equivalence Equivalence
}

// Taken is how a value was measured, and on what.
type Taken struct {
	valve.Context
	Flail bool // on a lesion that is flail
}

// Fits says whether the code means a value that was taken so.
func (c Coding) Fits(t Taken) bool {
	return (len(c.Methods) == 0 || slices.Contains(c.Methods, t.Method)) &&
		(len(c.Phases) == 0 || slices.Contains(c.Phases, t.Phase)) &&
		(len(c.Planes) == 0 || slices.Contains(c.Planes, t.Plane) || t.Plane == "" && c.PlaneByItself != "") &&
		(!c.OfFlail || t.Flail)
}

// Restricted says whether there are values of the quantity that it does not mean.
func (c Coding) Restricted() bool {
	return len(c.Methods) > 0 || len(c.Phases) > 0 || len(c.Planes) > 0 || c.OfFlail
}

// CodeFor gives the public code that means a value taken so: the first that fits.
func CodeFor(codes []Coding, t Taken) (Coding, bool) {
	for _, c := range codes {
		if c.Equivalence == Equivalent && c.Fits(t) {
			return c, true
		}
	}
	return Coding{}, false
}

// Words of conditions.
var (
	systole     = []valve.CardiacPhase{valve.EarlySystole, valve.MidSystole, valve.EndSystole}
	endSystole  = []valve.CardiacPhase{valve.EndSystole}
	endDiastole = []valve.CardiacPhase{valve.EndDiastole}

	volumeEcho = []valve.Method{valve.Echo3D}
	planarEcho = []valve.Method{valve.Echo2D}
	lineEcho   = []valve.Method{valve.MMode}
	// anyEcho: the code means ultrasound of any kind. A flow that an echo tells of
	// was read by its Doppler.
	anyEcho = []valve.Method{valve.Doppler, valve.Echo2D, valve.Echo3D}
	// flatEcho: ultrasound of any kind but 3D, which has a code of its own.
	flatEcho = []valve.Method{valve.Echo2D, valve.MMode}

	enFace     = []string{planeEnFace}
	acrossAxis = []string{planeShortAxis, planeEnFace}
)

const (
	planeLongAxis    = "long_axis"
	planeFourChamber = "four_chamber"
	planeShortAxis   = "short_axis"
	planeEnFace      = "en_face"

	seenFromAtrium = "by 3D it is measured on the valve as seen from the atrium"
	inItsOwnPlane  = "what the annulus encloses lies in its own plane"
)

// Where a code was seen.
const (
	inDefinitions = "DICOM PS3.16 Annex D, one public rendering with definitions"
	inGroup300    = "DICOM PS3.16 CID 12300, two independent renderings"
	inGroup337    = "DICOM PS3.16 CID 12337, one rendering"
	inGroup202    = "DICOM PS3.16 CID 12202, two independent renderings"
	inVitalSigns  = "HL7 FHIR R4 4.0.1, profiles of vital signs"
	inLongNames   = "DICOM PS3.16 CID 12300, two independent renderings, and LOINC's long name in a public value set"
)

const (
	byUltrasound    = "ultrasound"
	byDoppler       = "Doppler ultrasound"
	threeEnFace     = "systole, in a 3D en face view"
	acrossAtAnnulus = "systole, in a short axis view at the level of the annulus"
)

// publicCodes has one row for every public code that a leaf or a metric names: what
// the definition of the code asks, and at which values of ours that is so. Displays
// are the meanings that DICOM gives, also those of LOINC; of LOINC no release was
// looked at. Where only names were seen, what a code asks is the name's own
// words, read narrowly, or from memory that it means ultrasound: CID 12300 is a
// group of measurements of an echo.
var publicCodes = []Coding{
	// Regurgitation.
	{System: loinc, Code: "80071-4", Display: "Mitral valve effective regurgitant orifice area (PISA)", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "77914-0", Display: "Mitral valve effective regurgitant orifice area (volumetric)", Where: inGroup337},
	{System: loinc, Code: "80064-9", Display: "Mitral regurgitation volume (PISA)", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "80063-1", Display: "Mitral regurgitation volume (Continuity VTI)", Where: inGroup300, Asks: "two velocity-time integrals"},
	{System: loinc, Code: "80056-5", Display: "Mitral regurgitant fraction (PISA)", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "80055-7", Display: "Mitral regurgitant fraction (Continuity VTI)", Where: inGroup300, Asks: "two velocity-time integrals"},
	{System: snomed, Code: "399301000", Display: "Regurgitant Fraction", Where: "DICOM PS3.16 CID 12207 and 12304, one rendering"},
	{System: loinc, Code: "80061-5", Display: "Mitral regurgitation vena contracta width", Where: inGroup300, Asks: byUltrasound, Methods: anyEcho},
	{System: loinc, Code: "80059-9", Display: "Mitral regurgitation PISA radius", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "80060-7", Display: "Mitral regurgitation PISA velocity", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "80057-3", Display: "Mitral regurgitant flow (PISA)", Where: inGroup300, Asks: "flow convergence"},
	{System: loinc, Code: "80062-3", Display: "Mitral regurgitation Vmax", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},

	// Flow.
	{System: loinc, Code: "80053-2", Display: "Mitral annulus VTI", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "79914-8", Display: "Mitral valve VTI", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80028-4", Display: "Left ventricular outflow tract dimension (2D)", Where: inLongNames, Read: true, Asks: "end diastole, 2D: LOINC's long name says the end of diastole, which DICOM's does not", Methods: planarEcho, Phases: endDiastole},
	{System: loinc, Code: "80030-0", Display: "Left ventricular outflow tract VTI", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80070-6", Display: "Mitral valve E-wave Vmax", Where: inLongNames, Read: true, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80066-4", Display: "Mitral valve A-wave Vmax", Where: inLongNames, Read: true, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "18038-0", Display: "Mitral valve E-to-A ratio", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "78191-4", Display: "Mitral valve deceleration time", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "20207-7", Display: "Left ventricular cardiac output (LVOT)", Where: inGroup337, Asks: "from the outflow tract"},

	// Chambers and neighbourhood.
	{System: loinc, Code: "79995-7", Display: "Left ventricular end diastolic volume (3D)", Where: inGroup300, Asks: "3D", Methods: volumeEcho},
	{System: loinc, Code: "18026-5", Display: "Left Ventricular End Diastolic Volume", Where: inGroup202, Asks: byUltrasound, Methods: flatEcho},
	{System: loinc, Code: "80000-3", Display: "Left ventricular end systolic volume (3D)", Where: inGroup300, Asks: "3D", Methods: volumeEcho},
	{System: loinc, Code: "18148-7", Display: "Left Ventricular End Systolic Volume", Where: inGroup202, Asks: byUltrasound, Methods: flatEcho},
	{System: loinc, Code: "80007-8", Display: "Left ventricular internal diastolic dimension", Where: inGroup300, Asks: "2D", Methods: planarEcho},
	{System: loinc, Code: "80008-6", Display: "Left ventricular internal diastolic dimension", Where: inGroup300, Asks: "M-mode", Methods: lineEcho},
	{System: loinc, Code: "80011-0", Display: "Left ventricular internal systolic dimension", Where: inGroup300, Asks: "2D", Methods: planarEcho},
	{System: loinc, Code: "80012-8", Display: "Left ventricular internal systolic dimension", Where: inGroup300, Asks: "M-mode", Methods: lineEcho},
	{System: loinc, Code: "79990-8", Display: "Left ventricular ejection fraction 3D", Where: inGroup300, Asks: "3D", Methods: volumeEcho},
	{System: loinc, Code: "18043-0", Display: "Left Ventricular Ejection Fraction by US", Where: inGroup202, Asks: byUltrasound, Methods: flatEcho},
	{System: loinc, Code: "79975-9", Display: "Left atrial end systolic diameter (AP) 2D", Where: inLongNames, Read: true, Asks: "end systole, 2D, the short axis of the atrium", Methods: planarEcho, Phases: endSystole, Planes: []string{planeLongAxis}},
	{System: loinc, Code: "79921-3", Display: "Tricuspid regurgitation Vmax", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: dicom, Code: "131177", Display: "Aorto-mitral inter annular angle", Where: inDefinitions, Read: true, Asks: "systole, in the long axis view", Phases: systole, Planes: []string{planeLongAxis}, PlaneByItself: "both planes are seen in the long axis only"},
	{System: loinc, Code: "8277-6", Display: "BSA", Where: "DICOM PS3.16 CID 3455 and 12333, and LOINC's long name in a public value set", Read: true},
	{System: loinc, Code: "8867-4", Display: "Heart rate", Where: "DICOM PS3.16, two independent renderings"},

	// The body.
	{System: loinc, Code: "8302-2", Display: "Body height", Where: inVitalSigns, Read: true},
	{System: loinc, Code: "29463-7", Display: "Body weight", Where: inVitalSigns, Read: true},

	// Gradients and orifice.
	{System: loinc, Code: "80073-0", Display: "Mitral valve mean gradient", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80074-8", Display: "Mitral valve peak instantaneous gradient", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "79912-2", Display: "Mitral valve pressure half-time", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80069-8", Display: "Mitral valve area (Pressure Half-Time)", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
	{System: loinc, Code: "80068-0", Display: "Mitral valve area (Planimetry)", Where: inGroup300, Asks: "2D, from memory", Methods: planarEcho},

	// Annulus.
	{System: dicom, Code: "131182", Display: "Mitral annulus anteroposterior diameter", Where: inDefinitions, Read: true, Asks: acrossAtAnnulus, Phases: systole, Planes: acrossAxis},
	{System: dicom, Code: "131185", Display: "Mitral annulus commissural diameter", Where: inDefinitions, Read: true, Asks: threeEnFace, Methods: volumeEcho, Phases: systole, Planes: enFace, PlaneByItself: seenFromAtrium},
	{System: dicom, Code: "131181", Display: "Mitral annulus anterolateral to posteromedial diameter", Where: inDefinitions, Read: true, Asks: threeEnFace, Methods: volumeEcho, Phases: systole, Planes: enFace, PlaneByItself: seenFromAtrium},
	{System: dicom, Code: "131183", Display: "Mitral annulus area", Where: inDefinitions, Read: true, Asks: acrossAtAnnulus, Phases: systole, Planes: acrossAxis, PlaneByItself: inItsOwnPlane},
	{System: loinc, Code: "20264-8", Display: "Mitral valve annulus area", Where: inGroup337, Asks: byUltrasound, Methods: anyEcho},
	{System: dicom, Code: "131189", Display: "Mitral annulus perimeter", Where: inDefinitions, Read: true, Asks: acrossAtAnnulus, Phases: systole, Planes: acrossAxis, PlaneByItself: inItsOwnPlane},
	{System: dicom, Code: "131187", Display: "Mitral annulus height", Where: inDefinitions, Read: true, Asks: "systole, 3D: highest above and lowest below the annular plane, added", Methods: volumeEcho, Phases: systole},
	{System: dicom, Code: "131179", Display: "Mitral trigone-to-trigone distance", Where: inDefinitions, Read: true, Asks: threeEnFace + ", straight from one trigone to the other", Methods: volumeEcho, Phases: systole, Planes: enFace, PlaneByItself: seenFromAtrium},
	{System: dicom, Code: "131188", Display: "Mitral annulus nonplanarity angle", Where: inDefinitions, Read: true, Asks: "systole, 3D", Methods: volumeEcho, Phases: systole},

	// Leaflets.
	{System: dicom, Code: "131176", Display: "Mitral anterior leaflet area", Where: inDefinitions, Read: true, Asks: threeEnFace + ", of the atrial surface", Methods: volumeEcho, Phases: systole, Planes: enFace, PlaneByItself: seenFromAtrium},
	{System: dicom, Code: "131190", Display: "Mitral valve coaptation length", Where: inDefinitions, Read: true, Asks: "systole, 3D", Methods: volumeEcho, Phases: systole},
	{System: dicom, Code: "131198", Display: "Mitral valve tenting height", Where: inDefinitions, Read: true, Asks: "systole, where the leaflets meet to the annular plane", Phases: systole},
	{System: dicom, Code: "131199", Display: "Mitral valve tenting area", Where: inDefinitions, Read: true, Asks: "systole, 3D", Methods: volumeEcho, Phases: systole},
	{System: dicom, Code: "131196", Display: "Mitral valve segment flail gap", Where: inDefinitions, Read: true, Asks: "systole, from the tip of the free edge of what is flail to the plane of the annulus, not to the other leaflet", Phases: systole, OfFlail: true},

	// Other valves.
	{System: loinc, Code: "80091-2", Display: "Tricuspid annulus diameter", Where: "DICOM PS3.16 CID 12300 and 12337", Asks: "end diastole; 2D and the four-chamber view, from memory", Methods: planarEcho, Phases: endDiastole, Planes: []string{planeFourChamber}},
	{System: loinc, Code: "18023-2", Display: "Tricuspid valve annulus diameter", Where: "DICOM PS3.16 CID 12337, and LOINC's long name in a public value set", Read: true, Asks: byUltrasound, Methods: anyEcho},
	{System: loinc, Code: "79962-7", Display: "Aortic valve mean gradient", Where: inGroup300, Asks: byDoppler, Methods: anyEcho},
}

// PublicCodes gives every public code that a leaf or a metric may have.
func PublicCodes() []Coding { return slices.Clone(publicCodes) }

// public gives the row of a public code; a code that has none is a mistake of the
// catalogue.
func public(code string, e Equivalence) Coding {
	i := slices.IndexFunc(publicCodes, func(c Coding) bool { return c.Code == code })
	if i < 0 {
		panic("metric: no public code " + code)
	}
	c := publicCodes[i]
	c.Equivalence = e
	return c
}

// same gives codes that mean what a metric means, wider ones that mean more.
func same(codes ...string) []Coding { return codings(codes, Equivalent) }

func wider(codes ...string) []Coding { return codings(codes, Wider) }

func codings(codes []string, e Equivalence) []Coding {
	list := make([]Coding, len(codes))
	for i, code := range codes {
		list[i] = public(code, e)
	}
	return list
}

// coded gives the metric public codes that mean the same.
func (m Metric) coded(codes ...string) Metric {
	m.Codes = same(codes...)
	return m
}

// NotTaken is a public code that was looked at and that no leaf or metric has.
type NotTaken struct{ System, Code, Name, Why string }

// CodesNotTaken gives those that look as if they fitted, with the reason why none
// of ours has them.
func CodesNotTaken() []NotTaken { return slices.Clone(notTaken) }

var notTaken = []NotTaken{
	{loinc, "79983-3", "Left atrial end systolic volume biplane (MOD)", "no context of ours tells the method of disks from the area-length method"},
	{loinc, "79981-7", "Left atrial end systolic volume biplane (area-length)", "as before"},
	{loinc, "79984-1", "Left atrial end systolic volume biplane (MOD) / BSA", "as before"},
	{loinc, "79982-5", "Left atrial end systolic volume biplane (area-length) / BSA", "as before"},
	{loinc, "79991-6", "Left ventricular ejection fraction biplane (MOD)", "as before"},
	{dicom, "131186", "Mitral annulus diameter ratio", "its divisor is the anterolateral diameter, ours the intercommissural one"},
	{dicom, "131060", "Mitral valve annulus diameter", "diastole, 2D, short axis, in no stated direction; ours have a direction"},
	{loinc, "18017-4", "Mitral valve annulus diameter", "in no stated direction; ours have one"},
	{loinc, "80050-8", "Mitral annulus diastolic diameter - A2C", "an apical view; our planes do not tell from where they are seen"},
	{loinc, "80051-6", "Mitral annulus diastolic diameter - A4C", "an apical view; our planes do not tell from where they are seen"},
	{loinc, "80052-4", "Mitral annulus diastolic diameter - PLAX", "a parasternal view; our planes do not tell from where they are seen"},
	{dicom, "131178", "Mitral commissure distance", "between commissures of the leaflets, in diastole; ours is a diameter of the annulus"},
	{dicom, "131173", "Mitral anterior leaflet A1 scallop length", "along the hinge line; our heights go from the annulus to the free edge. So with 131174, 131175 and 131204 to 131207"},
	{dicom, "131200", "Mitral valve tenting segment height A1-P1", "asks the four-chamber view, in which no such slice lies. So with 131201 and 131202"},
	{dicom, "131197", "Mitral valve sphericity index", "a shape of the ventricle, not of the annulus"},
	{dicom, "131061", "Tricuspid valve annulus diameter", "diastole, 2D, a short axis view of the mitral valve: not how it is measured here"},
	{loinc, "17997-8", "Anterior mitral valve leaflet length", "no definition was found; what a length of a leaflet runs along differs between standards"},
	{loinc, "29448-8", "Mitral valve effective regurgitant orifice area (PISA)", "the same as 80071-4, older"},
	{loinc, "77913-2", "Mitral valve vena contracta diameter", "the same as 80061-5"},
	{loinc, "80067-2", "Mitral valve area (PISA)", "no metric of ours is made so"},
	{loinc, "80058-1", "Mitral regurgitation peak gradient", "no metric of ours is that"},
	{loinc, "79937-9", "Tricuspid regurgitation peak gradient", "no metric of ours is that: right atrial pressure is added"},
	{loinc, "82341-9", "Right ventricular Intrachamber systolic pressure estimated by US", "of the ventricle; ours is of the pulmonary artery"},
	{loinc, "79969-2", "Interventricular septum diastolic dimension 2D", "at no stated level; ours is the basal septum. So with 79968-4"},
	{loinc, "79977-5", "Left atrial end systolic diameter (AP) MM", "our leaf states no direction; M-mode states no plane that would"},
	{loinc, "3140-1", "Body surface area", "seen in code files only, in no table of the standard"},
}
