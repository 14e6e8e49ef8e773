package settings

import (
	"cmp"
	"slices"
)

// SourceID names a source.
type SourceID string

// Strength says how far a source was read.
type Strength string

// The strengths.
const (
	Arithmetic     Strength = "arithmetic"      // needs no source
	Read           Strength = "read"            // read in the source itself, or its abstract
	Secondary      Strength = "secondary"       // read in a secondary page
	CommonPractice Strength = "common_practice" // common practice, no source
	Memory         Strength = "memory"          // from memory, not verified
	Own            Strength = "own"             // our own derivation or assumption
)

// Source is where a formula, a limit or a rule comes from.
type Source struct {
	ID       SourceID
	Citation string
	Strength Strength
}

// The sources, in the order of their ids in Sources.
const (
	SourceArithmetic           SourceID = "arithmetic"
	SourceCommonPractice       SourceID = "common-practice"
	SourceMemory               SourceID = "memory"
	SourceOwnModel             SourceID = "own-model"
	SourceSitePolicy           SourceID = "site-policy"
	SourceASE2017              SourceID = "recommendations-2017"
	SourceJang2018             SourceID = "jang-2018"
	SourceOnishi2024           SourceID = "onishi-2024"
	SourcePetolat2023          SourceID = "petolat-2023"
	SourceMcCarthy2021         SourceID = "mccarthy-2021"
	SourcePopa2013             SourceID = "popa-2013"
	SourceShabsigh2016         SourceID = "shabsigh-2016"
	SourceFunctional2023       SourceID = "functional-stenosis-2023"
	SourceRiegel2011           SourceID = "riegel-2011"
	SourceElEshmawi            SourceID = "el-eshmawi"
	SourceImielski             SourceID = "imielski"
	SourcePini1988             SourceID = "pini-1988"
	SourceObserver2016         SourceID = "annulus-observer-2016"
	SourceTeaching             SourceID = "teaching-pages"
	SourcePublicPages          SourceID = "public-calculator-pages"
	SourceManzan2018           SourceID = "manzan-2018"
	SourceTopilsky2013         SourceID = "topilsky-2013"
	SourceAnnulus2020          SourceID = "annulus-echo-2020"
	SourceGuideline2020        SourceID = "guideline-2020"
	SourceDoi2014              SourceID = "doi-2014"
	SourceTrigones2007         SourceID = "trigones-2007"
	SourceVarghese2014         SourceID = "varghese-2014"
	SourceMahmood2017          SourceID = "mahmood-2017"
	SourceChaput2008           SourceID = "chaput-2008"
	SourceChandra2011          SourceID = "chandra-2011"
	SourceTechniqueAtlas       SourceID = "technique-atlas"
	SourceChordLength          SourceID = "chord-length-echo"
	SourceAshikhmina2021       SourceID = "ashikhmina-2021"
	SourceOutflow2014          SourceID = "outflow-obstruction-2014"
	SourceSurgeryTextbook      SourceID = "surgery-textbook"
	SourceHandbook             SourceID = "perioperative-handbook"
	SourceKirklin              SourceID = "kirklin"
	SourceKruse2025            SourceID = "kruse-2025"
	SourceGogoladze2010        SourceID = "gogoladze-2010"
	SourceCardiomyopathy2023   SourceID = "cardiomyopathy-2023"
	SourceGuidelines2014       SourceID = "guidelines-2012-2014"
	SourceSystolicIntervals    SourceID = "systolic-intervals"
	SourceTeachingEcho         SourceID = "deceleration-pages"
	SourceConvergenceRadius    SourceID = "convergence-radius-2004"
	SourceConvergenceAgreement SourceID = "convergence-agreement"
	SourceYosefy2009           SourceID = "yosefy-2009"
	SourceSpampinato2021       SourceID = "spampinato-2021"
	SourceResonanceVolume      SourceID = "resonance-volume"
	SourceRijsterborgh1990     SourceID = "rijsterborgh-1990"
	SourceAnwar2007            SourceID = "anwar-2007"
	SourceEchoTextbook         SourceID = "echo-textbook"
)

var sources = []Source{
	{SourceArithmetic, "Arithmetic, geometry or definition", Arithmetic},
	{SourceCommonPractice, "Common practice, no source", CommonPractice},
	{SourceMemory, "From memory, not verified", Memory},
	{SourceSitePolicy, "The site's own policy", Own},
	{SourceOwnModel, "Own model and assumptions, see DEVELOPERS.md", Own},
	{SourceASE2017, "Zoghbi et al., Recommendations for noninvasive evaluation of native valvular regurgitation, J Am Soc Echocardiogr 2017;30:303-371 (table read in a secondary page)", Secondary},
	{SourceJang2018, "Jang et al., J Cardiovasc Ultrasound 2018;26(1) (abstract read)", Read},
	{SourceOnishi2024, "Onishi et al. 2024, PMC11266834 (read)", Read},
	{SourcePetolat2023, "Petolat et al., Front Cardiovasc Med 2023;10:1076708 (abstract read)", Read},
	{SourceMcCarthy2021, "McCarthy et al., multiparameter algorithm, J Thorac Cardiovasc Surg, online 2021 (abstract read)", Read},
	{SourcePopa2013, "Popa et al., J Cardiothorac Surg 2013;8(S2):O2 (abstract read)", Read},
	{SourceShabsigh2016, "Shabsigh et al., Front Cardiovasc Med 2016;3:8 (read)", Read},
	{SourceFunctional2023, "Functional mitral stenosis after repair, J Cardiovasc Dev Dis 2023;10:470 (abstract read)", Read},
	{SourceRiegel2011, "Riegel et al., PLoS ONE 2011;6:e26559 (abstract read)", Read},
	{SourceElEshmawi, "El-Eshmawi et al., second pump run after mitral repair (abstract read)", Read},
	{SourceImielski, "Imielski et al., mild residual regurgitation after mitral repair (abstract read)", Read},
	{SourcePini1988, "Pini et al., J Am Coll Cardiol 1988;12:1423 (abstract read)", Read},
	{SourceObserver2016, "Inter-observer agreement of 3D annulus measurements, Cardiovasc Ultrasound 2016;14, doi 10.1186/s12947-016-0061-8 (abstract read; population SDs assumed)", Read},
	{SourceTeaching, "Several public teaching pages that quote the 2017 recommendations", Secondary},
	{SourcePublicPages, "Public pages with worked examples of body surface area and orifice area by pressure half-time (read)", Read},
	{SourceManzan2018, "Manzan et al., Ann Cardiothorac Surg 2018, definition of the leaflet-to-annulus index (introduction read)", Read},
	{SourceTopilsky2013, "Topilsky et al., J Am Heart Assoc 2013;2:e000039 (abstract read)", Read},
	{SourceAnnulus2020, "BioMed Res Int 2020:3261714, Table 3 (read)", Read},
	{SourceGuideline2020, "Otto et al., guideline for valvular heart disease, Circulation 2021;143:e72 (table of stages read in a secondary page)", Secondary},
	{SourceDoi2014, "Doi et al. 2014, ring orifice and gradient after mitral repair, 67 patients (abstract read)", Read},
	{SourceTrigones2007, "Intertrigonal distance and posterior annulus of 82 fresh hearts, 2007, PMID 17965505 (abstract read)", Read},
	{SourceVarghese2014, "Varghese et al., Eur J Cardiothorac Surg 2014 (title and aim read; limits from memory)", Memory},
	{SourceMahmood2017, "Mahmood et al. 2017, non-planarity angle of normal and ischaemic annuli (abstract read)", Read},
	{SourceChaput2008, "Chaput et al., Circulation 2008, total leaflet area over annular area (abstract read)", Read},
	{SourceChandra2011, "Chandra et al., Circ Cardiovasc Imaging 2011, billow height and volume in 77 patients (abstract read)", Read},
	{SourceTechniqueAtlas, "Sellke and Ruel, Atlas of Cardiac Surgical Techniques, 2nd ed., chapter 18 (read in a reproduction)", Secondary},
	{SourceChordLength, "Makhdom et al., length of artificial chords foretold by echo, 264 patients (abstract read)", Read},
	{SourceAshikhmina2021, "Ashikhmina et al., J Thorac Cardiovasc Surg 2021;162:567, anterior motion after 761 repairs: 71 % resolved before discharge (abstract read)", Read},
	{SourceOutflow2014, "Dynamic obstruction of the outflow tract, Cardiovasc Ultrasound 2014;12:23 (read)", Read},
	{SourceSurgeryTextbook, "Cohn and Adams (eds), Cardiac Surgery in the Adult, 5th ed., chapters 12, 35, 36 and 40 (read in a reproduction)", Secondary},
	{SourceHandbook, "Bojar, Manual of Perioperative Care in Adult Cardiac Surgery, 6th ed., chapter 4 (read in a reproduction)", Secondary},
	{SourceKirklin, "Kirklin/Barratt-Boyes Cardiac Surgery, 4th ed., chapter 11 (read in a reproduction)", Secondary},
	{SourceKruse2025, "Kruse et al., Interdiscip Cardiovasc Thorac Surg 2025, doi 10.1093/icvts/ivaf238, circumflex artery and annulus in 315 patients (abstract read)", Read},
	{SourceGogoladze2010, "Own limit from the contact by place of 10 normal valves, Gogoladze et al., Ann Thorac Surg 2010 (abstract read)", Own},
	{SourceCardiomyopathy2023, "Guideline for cardiomyopathies, 2023 (read in a secondary page): obstruction in hypertrophic cardiomyopathy, another disease", Secondary},
	{SourceGuidelines2014, "Guidelines for valvular heart disease of 2012 and 2014, repair before replacement in posterior prolapse (table read in a secondary page)", Secondary},
	{SourceSystolicIntervals, "Regression of the systolic interval by Weissler, seen quoted; within 12 ms of the one in Chest 1981;80:613, PMID 7297154 (abstract read)", Secondary},
	{SourceTeachingEcho, "Public teaching page of echocardiography: 759 over the deceleration time; half-time 0.29 of it on two further pages (read)", Secondary},
	{SourceConvergenceRadius, "Repeatability of the proximal isovelocity radius in 83 patients, 2004, PMID 15077090 (abstract read)", Read},
	{SourceConvergenceAgreement, "Standard deviation of 17 to 21 mm2 between two readings of the orifice area by flow convergence; Coisne et al. 2021, 25 patients read by 16 readers (abstracts read)", Read},
	{SourceYosefy2009, "Yosefy et al., Am J Cardiol 2009;104:978, area of the vena contracta in 3D (abstract read)", Read},
	{SourceSpampinato2021, "Spampinato et al. 2021, repeatability of flow convergence in prolapse (abstract read)", Read},
	{SourceResonanceVolume, "Regurgitant volume by magnetic resonance between observers, PMC2893171 (read)", Read},
	{SourceRijsterborgh1990, "Rijsterborgh et al., Eur Heart J 1990;11:592, random error of the mean transmitral velocity, 40 patients with stenosis or prosthesis (abstract read)", Read},
	{SourceAnwar2007, "Anwar et al. 2007, diameter of the mitral annulus between observers, 150 patients (abstract read)", Read},
	{SourceEchoTextbook, "Otto, Textbook of Clinical Echocardiography, 6th ed., chapters 6, 11 and 12 (read in a reproduction)", Secondary},
}

// Sources gives all sources by id.
func Sources() []Source {
	list := slices.Clone(sources)
	slices.SortFunc(list, func(a, b Source) int { return cmp.Compare(a.ID, b.ID) })
	return list
}

// SourceByID gives a source; ok is false for an unknown id.
func SourceByID(id SourceID) (Source, bool) {
	i := slices.IndexFunc(sources, func(s Source) bool { return s.ID == id })
	if i < 0 {
		return Source{}, false
	}
	return sources[i], true
}
