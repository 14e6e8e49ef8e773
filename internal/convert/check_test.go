package convert

import (
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/testdata"

	trigonev1 "trigone/proto/trigone/v1"
)

func read(t *testing.T, text string) *trigonev1.CaseFile {
	t.Helper()
	f := &trigonev1.CaseFile{}
	if err := protojson.Unmarshal([]byte(text), f); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return f
}

// study gives a case file with one assessment that holds this study.
func inStudy(study string) string { return `{"assessments":[{"id":"a","study":{` + study + `}}]}` }

// chordLengths gives a case file with one planned step that has these lengths.
func chordLengths(lengths string) string {
	return `{"plan":{"steps":[{"id":"s","technique":{"artificialChord":{"lengths":[` + lengths + `]}}}]}}`
}

const (
	shape       = "assessments[0].study.annulus.shape"
	leaflet     = "assessments[0].study.leaflets"
	chordLength = "plan.steps[0].technique.artificial_chord.lengths"
)

func TestViolations(t *testing.T) {
	const negative = `"leafletHeight":{"mm":-3}`
	const twiceMeasured = `{"gradient":{"meanGradient":{"mmhg":3}},"leaflets":{"heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":20}}]}}`
	tests := []struct{ why, text, path, message string }{
		{"negative", `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2",` + negative + `}]}}`, "plan.planned_heights[0].leaflet_height.mm", "is -3; the contract takes 0 to 2500; check the value and its unit"},
		{"a negative standard deviation", `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":3,"sd":-1}}]}}`, "plan.planned_heights[0].leaflet_height.sd", "is -1;"},
		{"a negative offset is one, but not of half a metre", `{"plan":{"steps":[{"id":"s","technique":{"leafletResection":{"resectionAxisOffset":{"mm":-501}}}}]}}`, "plan.steps[0].technique.leaflet_resection.resection_axis_offset.mm", "is -501; the contract takes -500 to 500"},
		{"not a number", inStudy(`"annulus":{"annulusArea":{"cm2":"NaN"}}`), "assessments[0].study.annulus.annulus_area.cm2", "absent_reason"},
		{"infinite", inStudy(`"annulus":{"annulusArea":{"cm2":"Infinity"}}`), "assessments[0].study.annulus.annulus_area.cm2", "is not a finite number"},
		{"a standard deviation that is none", inStudy(`"annulus":{"annulusArea":{"cm2":9,"sd":"-Infinity"}}`), "assessments[0].study.annulus.annulus_area.sd", "is not a finite number"},
		{"a bare number that is none", `{"operation":{"runs":[{"number":1,"statedBypassMin":"NaN"}]}}`, "operation.runs[0].stated_bypass_min", "is not a finite number"},
		{"not a number in a contour", inStudy(`"annulus":{"shape":{"contourMm":[1,"NaN",3]}}`), shape + ".contour_mm[1]", "is not a finite number"},
		{"many that are none in a contour are told once", inStudy(`"annulus":{"shape":{"contourMm":[1,"NaN",3,4,5,"NaN","Infinity",8,9]}}`), shape + ".contour_mm[1]", "nor are 2 others"},
		{"ten times the largest plausible", `{"identity":{"heightCm":3000}}`, "identity.height_cm", "is 3000; the contract takes 0 to 2500"},
		{"a count beyond the contract", `{"identity":{"ageYears":-1}}`, "identity.age_years", "is -1; the contract takes 0 to 1300"},
		{"pump run 0", `{"operation":{"runs":[{"number":0}]}}`, "operation.runs[0].number", "is 0; the contract takes 1 to 16"},
		{"enum number nobody defined", `{"identity":{"sex":9}}`, "identity.sex", "has the number 9, which Sex does not define"},
		{"the same in a list", `{"plan":{"indication":{"triggers":[1,99]}}}`, "plan.indication.triggers[1]", "has the number 99"},
		{"a lesion set given for coronary bypass", `{"operation":{"concomitantProcedures":[{"kind":"CONCOMITANT_KIND_CORONARY_BYPASS","ablation":{"blockConfirmed":"ANSWER_YES"}}]}}`, "operation.concomitant_procedures[0].kind", "does not fit the detail"},
		{"a detail of nothing named", `{"operation":{"concomitantProcedures":[{"tricuspid":{}}]}}`, "operation.concomitant_procedures[0].kind", "does not fit the detail"},
		{"a day of weight that is none", `{"identity":{"weightOn":"2026-02-30"}}`, "identity.weight_on", "is no day of the calendar"},
		{"NUL in text", `{"plan":{"rationale":"a\u0000b"}}`, "plan.rationale", "(3 characters) holds a NUL"},
		{"an escape sequence in a case number", `{"externalIdentifier":{"system":"urn:x","value":"MV-1\u001b[2J"}}`, "external_identifier.value", "(8 characters) holds a control"},
		{"the same by one character", `{"externalIdentifier":{"system":"urn:x","value":"MV\u009b2J"}}`, "external_identifier.value", "(5 characters) holds a control"},
		{"a change of direction in a patient's number", `{"patientIdentifier":{"system":"urn:x","value":"\u202e321"}}`, "patient_identifier.value", "(4 characters) holds a break, a tab or a character that cannot be seen; remove it"},
		{"a break in the system of a number", `{"patientIdentifier":{"system":"urn:x\r\n","value":"1"}}`, "patient_identifier.system", "(7 characters) holds a break"},
		{"two numbers that look alike", `{"patientIdentifier":{"system":"urn:x","value":"12\u200b3"}}`, "patient_identifier.value", "cannot be seen"},
		{"a hyphen that may be seen or not", `{"patientIdentifier":{"system":"urn:x","value":"12\u00ad3"}}`, "patient_identifier.value", "cannot be seen"},
		{"the bell in a text", `{"plan":{"rationale":"a\u0007b"}}`, "plan.rationale", "(3 characters) holds a control"},
		{"text too long", `{"plan":{"rationale":"` + strings.Repeat("ä", 4001) + `"}}`, "plan.rationale", "has 4001 characters; the contract takes at most 4000; shorten it"},
		{"id with a slash", `{"assessments":[{"id":"a/b"}]}`, "assessments[0].id", "(3 characters) is no id; give 1 to 64"},
		{"id of 65 characters", `{"assessments":[{"id":"` + strings.Repeat("a", 65) + `"}]}`, "assessments[0].id", "(65 characters) is no id"},
		{"no id", `{"results":[{}]}`, "results[0].id", "is missing; give 1 to 64"},
		{"a pseudonym with a blank is a name", `{"plan":{"signer":"A B"}}`, "plan.signer", "or leave it out"},
		{"what refers to an id is one", `{"plan":{"steps":[{"id":"s","lesionIds":["l","a b"]}]}}`, "plan.steps[0].lesion_ids[1]", "(3 characters) is no id"},
		{"too many entries", `{"operation":{"runs":[` + strings.Repeat(`{"number":1},`, 16) + `{"number":1}]}}`, "operation.runs", "has 17 entries; the contract takes at most 16"},
		{"value and reason why there is none", `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12,"absentReason":"ABSENT_REASON_NOT_RECORDED"}}]}}`, "plan.planned_heights[0].leaflet_height", "give one of them"},
		{"0 is a value too", `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":0,"absentReason":"ABSENT_REASON_NOT_RECORDED"}}]}}`, "plan.planned_heights[0].leaflet_height", "give one of them"},
		{"assessment id twice", `{"assessments":[{"id":"a"},{"id":"a"}]}`, "assessments[1].id", "second time"},
		{"one id for two sections with the same values: the id is the fault", `{"assessments":[{"id":"a","study":` + twiceMeasured + `},{"id":"a","study":` + twiceMeasured + `}]}`, "assessments[1].id", "second time"},
		{"result id twice", `{"results":[{"id":"a"},{"id":"a"}]}`, "results[1].id", "second time"},
		{"follow-up id twice", `{"followUps":[{"id":"a"},{"id":"b"},{"id":"a"}]}`, "follow_ups[2].id", "second time"},
		{"advice id twice", `{"advice":[{"id":"a"},{"id":"a"}]}`, "advice[1].id", "second time"},
		{"planned step id twice", `{"plan":{"steps":[{"id":"s"},{"id":"s"}]}}`, "plan.steps[1].id", "second time"},
		{"target id twice", `{"plan":{"targets":[{"id":"t"},{"id":"t"}]}}`, "plan.targets[1].id", "second time"},
		{"performed step id twice", `{"operation":{"steps":[{"id":"s"},{"id":"s"}]}}`, "operation.steps[1].id", "second time"},
		{"step id twice in the plan of an advice", `{"advice":[{"id":"a","plan":{"steps":[{"id":"s"},{"id":"s"}]}}]}`, "advice[0].plan.steps[1].id", "second time"},
		{"run number twice", `{"operation":{"runs":[{"number":1},{"number":1}]}}`, "operation.runs[1].number", "second time"},
		{"saline test id twice, with one pressure each", `{"operation":{"salineTests":[{"id":"t","salinePressure":{"mmhg":90}},{"id":"t","salinePressure":{"mmhg":90}}]}}`, "operation.saline_tests[1].id", "second time"},
		{"one id for a saline and an ink test", `{"operation":{"salineTests":[{"id":"t"}],"inkTests":[{"id":"t"}]}}`, "operation.ink_tests[0].id", "second time"},
		{"lesion id twice in one study", inStudy(`"leaflets":{"lesions":[{"id":"l"},{"id":"l"}]}`), leaflet + ".lesions[1].id", "second time"},
		{"one height twice", inStudy(`"leaflets":{"heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":20}},{"segment":"SEGMENT_P2","station":"STATION_SEGMENT_MID","leafletHeight":{"mm":21}}]}`), leaflet + ".heights[1].leaflet_height", "is the same measurement as assessments[0].study.leaflets.heights[0].leaflet_height"},
		{"one ink mark twice", `{"operation":{"inkTests":[{"id":"t","marks":[{"segment":"SEGMENT_P2","inkDepthBeyondLine":{"mm":8}},{"segment":"SEGMENT_P2","inkDepthBeyondLine":{"mm":8}}]}]}}`, "operation.ink_tests[0].marks[1].ink_depth_beyond_line", "is the same measurement"},
		{"two sets of heights of one run and stage", `{"operation":{"heights":[{"run":1,"stage":"STAGE_AFTER_RING","heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}]},{"run":1,"stage":"STAGE_AFTER_RING","heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":13}}]}]}}`, "operation.heights[1].heights[0].leaflet_height", "is the same measurement as operation.heights[0].heights[0].leaflet_height"},
		{"a value and the reason why it has none are twice, too", inStudy(`"leaflets":{"scallops":[{"segment":"SEGMENT_P1","scallopAnnularWidth":{"mm":20}},{"segment":"SEGMENT_P1","scallopAnnularWidth":{"absentReason":"ABSENT_REASON_NOT_POSSIBLE"}}]}`), leaflet + ".scallops[1].scallop_annular_width", "is the same measurement"},
		{"a height of nothing", `{"plan":{"plannedHeights":[{"leafletHeight":{"mm":12}}]}}`, "plan.planned_heights[0]", "give a segment or a commissure"},
		{"a scallop of nothing", inStudy(`"leaflets":{"scallops":[{"scallopAnnularWidth":{"mm":20}}]}`), leaflet + ".scallops[0].segment", "name the scallop"},
		{"an ink mark on nothing", `{"operation":{"inkTests":[{"id":"t","marks":[{}]}]}}`, "operation.ink_tests[0].marks[0].segment", "name the segment"},
		{"coaptation of no slice", inStudy(`"leaflets":{"coaptation":[{"coaptationLength":{"mm":8}}]}`), leaflet + ".coaptation[0].slice", "name the slice"},
		{"a grade of another scheme", `{"results":[{"id":"r","study":{"regurgitation":{"grade":{"scheme":"GRADE_SCHEME_PLUS_SIGNS","value":"GRADE_VALUE_MILD"}}}}]}`, "results[0].study.regurgitation.grade.value", "give both, of one scheme"},
		{"moderate is not of the split scheme", `{"plan":{"targets":[{"id":"t","regurgitationGradeAtMost":{"scheme":"GRADE_SCHEME_SPLIT_MODERATE","value":"GRADE_VALUE_MODERATE"}}]}}`, "plan.targets[0].regurgitation_grade_at_most.value", "give both"},
		{"a grade without scheme", `{"results":[{"id":"r","study":{"regurgitation":{"grade":{"value":"GRADE_VALUE_MILD"}}}}]}`, "results[0].study.regurgitation.grade.value", "give both"},
		{"a scheme without grade", `{"results":[{"id":"r","study":{"otherValves":{"aorticRegurgitation":{"scheme":"GRADE_SCHEME_PLUS_SIGNS"}}}}]}`, "results[0].study.other_valves.aortic_regurgitation.value", "give both"},
		{"a grade of another complication", `{"operation":{"complications":[{"kind":"COMPLICATION_KIND_STROKE","grade":"COMPLICATION_GRADE_STAGE_2"}]}}`, "operation.complications[0].grade", "none of the grades of this kind"},
		{"a grade of a complication without grades", `{"followUps":[{"id":"f","complications":[{"kind":"COMPLICATION_KIND_PACEMAKER","grade":"COMPLICATION_GRADE_MAJOR"}]}]}`, "follow_ups[0].complications[0].grade", "none of the grades of this kind"},
		{"a grade of nothing", `{"operation":{"complications":[{"grade":"COMPLICATION_GRADE_DEEP"}]}}`, "operation.complications[0].grade", "none of the grades of this kind"},
		{"device id twice", `{"operation":{"devices":[{"id":"d"},{"id":"d"}]}}`, "operation.devices[1].id", "second time"},
		{"complication id twice", `{"operation":{"complications":[{"id":"c"},{},{},{"id":"c"}]}}`, "operation.complications[3].id", "second time"},
		{"readmission id twice", `{"followUps":[{"id":"f","readmissions":[{"id":"r"},{"id":"r"}]}]}`, "follow_ups[0].readmissions[1].id", "second time"},
		{"return id twice", `{"followUps":[{"id":"f","returnsToTheatre":[{"id":"r"},{"id":"r"}]}]}`, "follow_ups[0].returns_to_theatre[1].id", "second time"},
		{"reintervention id twice", `{"followUps":[{"id":"f","reinterventions":[{"id":"r"},{"id":"r"}]}]}`, "follow_ups[0].reinterventions[1].id", "second time"},
		{"a chord length of nowhere", chordLengths(`{"artificialChordLength":{"mm":14}}`), chordLength + "[0]", "give a segment or a commissure"},
		{"one chord length twice", chordLengths(`{"segment":"SEGMENT_P2","artificialChordLength":{"mm":14}},{"segment":"SEGMENT_P2","artificialChordLength":{"mm":16}}`), chordLength + "[1].artificial_chord_length", "is the same measurement as " + chordLength + "[0].artificial_chord_length"},
		{"no day of the calendar", `{"followUps":[{"id":"f","diedOn":"2026-02-30"}]}`, "follow_ups[0].died_on", "is no day of the calendar"},
		{"the 29th of February of no leap year", `{"followUps":[{"id":"f","statusKnownOn":"2025-02-29"}]}`, "follow_ups[0].status_known_on", "is no day of the calendar"},
		{"a date in another form", `{"followUps":[{"id":"f","echoOn":"30.01.2026"}]}`, "follow_ups[0].echo_on", "give YYYY-MM-DD"},
		{"a date before anyone operated", `{"operation":{"complications":[{"date":"0001-01-01"}]}}`, "operation.complications[0].date", "between 1901 and 2199"},
		{"half a point", inStudy(`"annulus":{"shape":{"contourMm":[1,2,3,4]}}`), shape + ".contour_mm", "has 4 numbers"},
		{"two numbers for a point", inStudy(`"annulus":{"shape":{"midAnteriorMm":[1,2]}}`), shape + ".mid_anterior_mm", "has 2 numbers"},
		{"half a triangle", inStudy(`"annulus":{"shape":{"leaflets":[{"pointsMm":[0,0,0],"triangles":[0,0]}]}}`), shape + ".leaflets[0].triangles", "has 2 numbers"},
		{"a triangle of a point that is not there", inStudy(`"annulus":{"shape":{"leaflets":[{"pointsMm":[0,0,0],"triangles":[0,0,1]}]}}`), shape + ".leaflets[0].triangles", "names point 1 of 1"},
		{"a triangle of a point before the first", inStudy(`"annulus":{"shape":{"leaflets":[{"pointsMm":[0,0,0],"triangles":[0,0,-1]}]}}`), shape + ".leaflets[0].triangles", "names point -1 of 1"},
		{"a time before anyone operated", `{"operation":{"incisionTime":"0001-01-01T00:00:00Z"}}`, "operation.incision_time", "between 1901 and 2199"},
		{"a time far ahead", `{"operation":{"incisionTime":"9000-01-01T00:00:00Z"}}`, "operation.incision_time", "between 1901 and 2199"},
	}
	for _, tt := range tests {
		t.Run(tt.why, func(t *testing.T) {
			list := CheckFile(read(t, tt.text))
			if tt.why == "too many entries" && len(list) > 0 {
				list = list[:1] // the numbers of the runs are given twice besides
			}
			if len(list) != 1 || list[0].Path != tt.path {
				t.Fatalf("violations %v, want one at %s", list, tt.path)
			}
			if !strings.Contains(list[0].Message, tt.message) {
				t.Errorf("the message is %q, want one with %q", list[0].Message, tt.message)
			}
		})
	}
}

// Two entries that do not say where they stand would share a place; that they do
// not say it is the fault, and is told alone.
func TestUnplacedEntriesAreNotTheSameMeasurement(t *testing.T) {
	list := CheckFile(read(t, `{"plan":{"plannedHeights":[{"leafletHeight":{"mm":12}},{"leafletHeight":{"mm":13}}]}}`))
	if got := paths(t, list); !slices.Equal(got, []string{"plan.planned_heights[0]", "plan.planned_heights[1]"}) {
		t.Errorf("violations %v", list)
	}
}

func TestWhatNoJSONCanHold(t *testing.T) {
	f := &trigonev1.CaseFile{Plan: &trigonev1.Plan{Rationale: "caf\xe9"}}
	list := CheckFile(f)
	if len(list) != 1 || list[0].Path != "plan.rationale" || list[0].Message != "(4 bytes) is not UTF-8; encode the text as UTF-8" {
		t.Errorf("bytes that are no UTF-8: %v", list)
	}
	if list := CheckFile(nil); len(list) != 0 {
		t.Errorf("no file: %v", list)
	}
	if list := Check(nil); len(list) != 0 {
		t.Errorf("no message: %v", list)
	}
}

func TestWhatIsTakenIn(t *testing.T) {
	for why, text := range map[string]string{
		"8 mm typed as 0.8 is stored and spoken of":          `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":0.8}}]}}`,
		"no coaptation is a real value":                      `{"results":[{"id":"r","study":{"leaflets":{"coaptation":[{"slice":"SLICE_A2_P2","coaptationLength":{"mm":0}}]}}}]}`,
		"a fraction above 100 is spoken of":                  inStudy(`"regurgitation":{"statedRegurgitantFraction":{"percent":113}}`),
		"an area in mm2":                                     inStudy(`"regurgitation":{"statedRegurgitantOrificeArea":{"cm2":40}}`),
		"the largest that is taken":                          `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":2500}}]}}`,
		"an unset grade":                                     `{"results":[{"id":"r","study":{"regurgitation":{"grade":{}}}}]}`,
		"one step id in the plan and in theatre":             `{"plan":{"steps":[{"id":"s"}]},"operation":{"steps":[{"id":"s"}]}}`,
		"one id in sections of two kinds":                    `{"assessments":[{"id":"a"}],"results":[{"id":"a"}]}`,
		"one lesion seen in two studies keeps its id":        `{"assessments":[{"id":"a","study":{"leaflets":{"lesions":[{"id":"l","flailGap":{"mm":5}}]}}},{"id":"b","study":{"leaflets":{"lesions":[{"id":"l","flailGap":{"mm":6}}]}}}]}`,
		"a second method is a second assessment":             `{"assessments":[{"id":"a","study":{"studyId":"s","annulus":{"annulusArea":{"cm2":12}}}},{"id":"b","study":{"studyId":"s","annulus":{"annulusArea":{"cm2":13}}}}]}`,
		"the same heights after each run":                    `{"operation":{"heights":[{"run":1,"stage":"STAGE_AFTER_RING","heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}]},{"run":2,"stage":"STAGE_AFTER_RING","heights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}]}]}}`,
		"the edges of a seam are two heights":                `{"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","station":"STATION_SEAM_LATERAL_EDGE","leafletHeight":{"mm":12}},{"segment":"SEGMENT_P2","station":"STATION_SEAM_MEDIAL_EDGE","leafletHeight":{"mm":12}}]}}`,
		"the sides of a sliding plasty are two":              `{"plan":{"steps":[{"id":"s","technique":{"slidingPlasty":{"lateral":{"slidingAdvance":{"mm":9}},"medial":{"slidingAdvance":{"mm":9}}}}}]}}`,
		"the answer of an advice repeats values":             `{"advice":[{"id":"a","plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}]},"answer":{"metrics":[{"metric":"m"},{"metric":"m"}]}}],"plan":{"plannedHeights":[{"segment":"SEGMENT_P2","leafletHeight":{"mm":12}}]}}`,
		"the 29th of February of a leap year":                `{"followUps":[{"id":"f","statusKnownOn":"2024-02-29"}]}`,
		"4000 characters of two bytes":                       `{"plan":{"rationale":"` + strings.Repeat("ä", 4000) + `"}}`,
		"a reason without a value":                           inStudy(`"annulus":{"annulusArea":{"absentReason":"ABSENT_REASON_NOT_PERFORMED"}}`),
		"nothing":                                            `{}`,
		"a plan and no patient: nothing is stored":           `{"plan":{}}`,
		"the two sides of a segment have a length each":      chordLengths(`{"segment":"SEGMENT_P2","side":"SIDE_LATERAL","artificialChordLength":{"mm":14}},{"segment":"SEGMENT_P2","side":"SIDE_MEDIAL","artificialChordLength":{"mm":14}},{"segment":"SEGMENT_P2","artificialChordLength":{"mm":14}},{"commissure":"COMMISSURE_MEDIAL","artificialChordLength":{"mm":14}}`),
		"complications without an id of their own":           `{"operation":{"complications":[{"kind":"COMPLICATION_KIND_STROKE"},{"kind":"COMPLICATION_KIND_STROKE","grade":"COMPLICATION_GRADE_NOT_KNOWN_YET"}]}}`,
		"a ring's orientation to the lateral side":           `{"plan":{"steps":[{"id":"s","technique":{"annuloplasty":{"orientationDeg":-20}}}]}}`,
		"a point that is not of the contour, below the zero": inStudy(`"annulus":{"shape":{"contourMm":[-1,-2,-3]}}`),
	} {
		if list := CheckFile(read(t, text)); len(list) != 0 {
			t.Errorf("%s: %v", why, list)
		}
	}
	for _, folder := range []string{testdata.Cases, testdata.Submits} {
		for _, name := range testdata.Names(folder) {
			f, err := testdata.Read(folder, name)
			if err != nil {
				t.Fatal(err)
			}
			if list := CheckFile(f); len(list) != 0 {
				t.Errorf("%s/%s: %v", folder, name, list)
			}
		}
	}
}

func TestUnknownSectionIsRefused(t *testing.T) {
	f := &trigonev1.CaseFile{Identity: &trigonev1.Identity{}}
	f.ProtoReflect().SetUnknown(protowire.AppendBytes(protowire.AppendTag(nil, 77, protowire.BytesType), []byte("x")))
	// Deeper down a newer contract's field is kept as it came.
	f.Identity.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 99, protowire.VarintType), 1))
	list := CheckFile(f)
	if len(list) != 1 || list[0].Path != "field 77" || !strings.Contains(list[0].Message, "does not know") {
		t.Errorf("violations %v", list)
	}
	list = Check(&trigonev1.SubmitCaseRequest{CaseFile: f})
	if len(list) != 1 || list[0].Path != "case_file.field 77" {
		t.Errorf("within a request: %v", list)
	}
}

// paths gives the paths of violations, and checks that each message is a
// sentence that says what to do.
func paths(t *testing.T, list []Violation) []string {
	t.Helper()
	var out []string
	for _, v := range list {
		out = append(out, v.Path)
		if len(strings.Fields(v.Message)) < 4 || !strings.Contains(v.Message, ";") || strings.HasSuffix(v.Message, ".") {
			t.Errorf("the message of %s says too little: %q", v.Path, v.Message)
		}
	}
	return out
}

func TestAllViolationsAtOnceInTheOrderOfTheFields(t *testing.T) {
	f := read(t, `{
		"followUps":[{"id":"","diedOn":"2026-13-01"}],
		"operation":{"runs":[{"number":0},{"number":3},{"number":3}],"steps":[{"id":"s","fate":77}]},
		"plan":{"plannedHeights":[{"leafletHeight":{"mm":-1}}],"signer":"a b"},
		"assessments":[{"id":"a","study":{"regurgitation":{"grade":{"scheme":77,"value":1}},"gradient":{"peakGradient":{"mmhg":-1},"meanGradient":{"mmhg":5000,"absentReason":1}}}},{"id":"a"}],
		"identity":{"weightKg":-2,"sex":77}
	}`)
	want := []string{
		"identity.sex", "identity.weight_kg",
		"assessments[0].study.regurgitation.grade.scheme",
		"assessments[0].study.gradient.mean_gradient", "assessments[0].study.gradient.mean_gradient.mmhg", "assessments[0].study.gradient.peak_gradient.mmhg",
		"assessments[1].id",
		"plan.signer", "plan.planned_heights[0]", "plan.planned_heights[0].leaflet_height.mm",
		"operation.runs[0].number", "operation.runs[2].number", "operation.steps[0].fate",
		"follow_ups[0].id", "follow_ups[0].died_on",
	}
	if got := paths(t, CheckFile(f)); !slices.Equal(got, want) {
		t.Errorf("paths\n%v, want\n%v", got, want)
	}
	// In a request every path begins with the field of the file, and each is told
	// once.
	got := paths(t, Check(&trigonev1.EvaluatePlanRequest{Parent: strings.Repeat("x", 129), CaseFile: f}))
	prefixed := []string{"parent"}
	for _, p := range want {
		prefixed = append(prefixed, "case_file."+p)
	}
	if !slices.Equal(got, prefixed) {
		t.Errorf("in a request:\n%v, want\n%v", got, prefixed)
	}
}

func TestOtherRequests(t *testing.T) {
	tests := []struct {
		why  string
		req  proto.Message
		want []string
	}{
		{"a page beyond the largest", &trigonev1.ListCasesRequest{PageSize: 501}, []string{"page_size"}},
		{"a negative page, an unknown state", &trigonev1.ListCasesRequest{PageSize: -1, State: 99}, []string{"page_size", "state"}},
		{"a token too long", &trigonev1.ListChangesRequest{Cursor: strings.Repeat("x", 1025)}, []string{"cursor"}},
		{"an entry of a list too long", &trigonev1.ExportResourcesRequest{ResourceTypes: []string{"Device", strings.Repeat("x", 65)}}, []string{"resource_types[1]"}},
		{"NUL in a name", &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: "a\x00"}}, []string{"case.name"}},
		{"a break in a name", &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: "a\n"}}, []string{"case.name"}},
		{"marks of direction in what the caller's software makes", &trigonev1.RetractCaseRequest{RequestId: "a\u200f", ReasonText: "\u200fא"}, []string{"request_id"}},
		{"lines and any script in what somebody wrote", &trigonev1.RetractCaseRequest{ReasonText: "line\r\n\tline, שלום\u200f, می\u200cخواهم"}, nil},
		{"nothing wrong", &trigonev1.ListMetricsRequest{IncludeLeaves: true}, nil},
	}
	for _, tt := range tests {
		if got := paths(t, Check(tt.req)); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.why, got, tt.want)
		}
	}
}

func TestCheckSubmit(t *testing.T) {
	const patient = `"patientIdentifier":{"system":"urn:example:harbour","value":"17"}`
	tests := []struct {
		why, text string
		want      []string
	}{
		{"a patient and a section", `{` + patient + `,"identity":{}}`, nil},
		{"a section without identity: the case may be known", `{` + patient + `,"operation":{}}`, nil},
		{"no patient", `{"identity":{}}`, []string{"patient_identifier"}},
		{"a system without a value", `{"patientIdentifier":{"system":"urn:example:harbour"},"identity":{}}`, []string{"patient_identifier"}},
		{"a value of blanks", `{"patientIdentifier":{"system":"urn:example:harbour","value":"  "},"identity":{}}`, []string{"patient_identifier"}},
		{"a value without a system", `{"patientIdentifier":{"value":"17"},"identity":{}}`, []string{"patient_identifier"}},
		{"no section", `{` + patient + `}`, []string{"identity"}},
		{"an empty case number", `{` + patient + `,"externalIdentifier":{"system":"x"},"identity":{}}`, []string{"external_identifier.value"}},
		{"everything at once, in the order of the fields", `{"externalIdentifier":{},"identity":{"sex":77},"plan":{"steps":[{"id":"s"},{"id":"s"}]}}`,
			[]string{"external_identifier.value", "patient_identifier", "identity.sex", "plan.steps[1].id"}},
	}
	for _, tt := range tests {
		if got := paths(t, CheckSubmit(read(t, tt.text))); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v", tt.why, got, tt.want)
		}
	}
	if got := paths(t, CheckSubmit(nil)); !slices.Equal(got, []string{"patient_identifier", "identity"}) {
		t.Errorf("no file: %v", got)
	}
}

// The work on a message that is made to be slow stays bounded: a list beyond its
// length is named and not read.
func TestOverlongListsAreNotRead(t *testing.T) {
	f := &trigonev1.CaseFile{}
	for range 100_000 {
		f.Results = append(f.Results, &trigonev1.Result{})
	}
	if got := paths(t, CheckFile(f)); !slices.Contains(got, "results") || len(got) > 2 {
		t.Errorf("%d violations", len(got))
	}
	mesh := &trigonev1.AnnulusShape{ContourMm: make([]float64, 6147)}
	mesh.ContourMm[0] = math.NaN()
	f = &trigonev1.CaseFile{Assessments: []*trigonev1.Assessment{{Id: "a", Study: &trigonev1.Study{Annulus: &trigonev1.Annulus{Shape: mesh}}}}}
	if got := paths(t, CheckFile(f)); !slices.Equal(got, []string{shape + ".contour_mm"}) {
		t.Errorf("violations %v", got)
	}
}

// Every text field of the contract, filled with a text that is refused in each
// way there is, is refused without being repeated.
func TestNoTextIsEchoed(t *testing.T) {
	const secret = "Zq9-secret"
	for _, text := range []string{secret + " !", secret + "\x00", secret + "\xff", strings.Repeat(secret, 500), "/" + secret} {
		root := (&trigonev1.CaseFile{}).ProtoReflect()
		fillTexts(root, text, 0)
		list := CheckSubmit(root.Interface().(*trigonev1.CaseFile))
		if len(list) < 10 {
			t.Errorf("only %d violations: %v", len(list), list)
		}
		said, err := json.Marshal(list)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(said), "Zq9") {
			t.Errorf("text is echoed: %s", said)
		}
	}
}

// fillTexts sets every text of a message and of those below it, one entry in
// every list.
func fillTexts(m protoreflect.Message, text string, depth int) {
	const deepest = 12
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		switch fd := fields.Get(i); {
		case fd.Kind() == protoreflect.StringKind && fd.IsList():
			m.Mutable(fd).List().Append(protoreflect.ValueOfString(text))
		case fd.Kind() == protoreflect.StringKind:
			m.Set(fd, protoreflect.ValueOfString(text))
		case fd.Message() == nil || depth > deepest:
		case fd.IsList():
			fillTexts(m.Mutable(fd).List().AppendMutable().Message(), text, depth+1)
		default:
			fillTexts(m.Mutable(fd).Message(), text, depth+1)
		}
	}
}

// Whatever pattern or bound the contract states, there is a sentence for it, and
// every text of a case file has a bound. The exceptions are named with the
// reason.
func TestTheContractsRulesHaveSentences(t *testing.T) {
	unbounded := map[protoreflect.FullName]string{
		"trigone.v1.Plan.assessment_ids": "ids by their name", "trigone.v1.Operator.step_ids": "ids by their name",
		"trigone.v1.PlannedStep.lesion_ids": "ids by their name", "trigone.v1.PerformedStep.lesion_ids": "ids by their name",
		"trigone.v1.PerformedStep.advice_ids":  "ids by their name",
		"trigone.v1.Conversion.tried_step_ids": "ids by their name",
	}
	eachField(func(fd protoreflect.FieldDescriptor) {
		if ofAnswer(fd) {
			return // an answer kept within an advice: written by this server
		}
		r := fieldRules(fd)
		switch {
		case fd.IsList():
			if r.GetRepeated() == nil || !r.GetRepeated().HasMaxItems() {
				t.Errorf("%s: a list without a longest length", fd.FullName())
			}
			if fd.Kind() == protoreflect.StringKind && (unbounded[fd.FullName()] == "" || !refersByID(fd)) {
				t.Errorf("%s: a list of texts without a bound", fd.FullName())
			}
		case fd.Kind() == protoreflect.StringKind:
			s := r.GetString()
			if _, ok := forms[s.GetPattern()]; s.HasPattern() && !ok {
				t.Errorf("%s: no words for the pattern %s", fd.FullName(), s.GetPattern())
			}
			if !s.HasPattern() && !s.HasMaxLen() {
				t.Errorf("%s: a text without a bound", fd.FullName())
			}
		case fd.Kind() == protoreflect.DoubleKind:
			if d := r.GetDouble(); !d.HasGte() || !d.HasLte() {
				t.Errorf("%s: a number without bounds", fd.FullName())
			}
		case fd.Kind() == protoreflect.Int32Kind:
			if d := r.GetInt32(); !d.HasGte() || !d.HasLte() {
				t.Errorf("%s: a count without bounds", fd.FullName())
			}
		}
	})
	for pattern := range forms {
		if _, err := regexp.Compile(pattern); err != nil {
			t.Error(err)
		}
	}
}

// ofAnswer says whether a field belongs to an evaluation or to what goes with it.
func ofAnswer(fd protoreflect.FieldDescriptor) bool {
	path := fd.ParentFile().Path()
	return strings.HasSuffix(path, "/evaluation.proto") || strings.HasSuffix(path, "/freedom.proto")
}

func TestWarmCoversEveryRequest(t *testing.T) {
	Warm()
	if n := len(requests()); n < 10 {
		t.Errorf("only %d requests were found", n)
	}
	for _, m := range requests() {
		if list := Check(m.ProtoReflect().New().Interface()); len(list) != 0 {
			t.Errorf("an empty %s: %v", m.ProtoReflect().Descriptor().Name(), list)
		}
	}
}
