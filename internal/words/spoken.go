package words

import (
	"maps"
	"slices"
)

// spoken are the values of the contract's enums whose word does not read in a
// sentence, by the name of the value; all others are read as their word.
var spoken = map[string]string{
	"AETIOLOGY_FIBROELASTIC_DEFICIENCY": "degenerative, fibroelastic deficiency",
	"AETIOLOGY_MYXOMATOUS":              "degenerative, billowing with excess tissue",
	"AETIOLOGY_DEGENERATIVE_INTERMEDIATE": "degenerative, between fibroelastic deficiency and billowing with excess " +
		"tissue",
	"AETIOLOGY_SECONDARY":     "secondary to ventricular disease",
	"AETIOLOGY_OTHER":         "of another kind",
	"AETIOLOGY_FAILED_REPAIR": "failure of an earlier surgical repair", "AETIOLOGY_FAILED_CATHETER_REPAIR": "failure of an earlier catheter repair",

	"CHORD_CALIBRE_USP_2_0": "USP 2-0",
	"CHORD_CALIBRE_USP_3_0": "USP 3-0",
	"CHORD_CALIBRE_USP_4_0": "USP 4-0",
	"CHORD_CALIBRE_USP_5_0": "USP 5-0",
	"CHORD_CALIBRE_USP_6_0": "USP 6-0",
	"CHORD_CALIBRE_CV_2":    "CV-2",
	"CHORD_CALIBRE_CV_3":    "CV-3",
	"CHORD_CALIBRE_CV_4":    "CV-4",
	"CHORD_CALIBRE_CV_5":    "CV-5",
	"CHORD_CALIBRE_CV_6":    "CV-6",

	"COMPLICATION_GRADE_NON_DISABLING":   "non-disabling",
	"COMPLICATION_GRADE_NOT_KNOWN_YET":   "disability not known yet",
	"COMPLICATION_GRADE_WITH_EVIDENCE":   "marker with other evidence",
	"COMPLICATION_GRADE_DRUGS_OVER_24_H": "drugs for more than 24 h",
	"COMPLICATION_GRADE_EXTRACORPOREAL":  "extracorporeal support",

	"FUNCTIONAL_CLASS_I":   "I (no limitation)",
	"FUNCTIONAL_CLASS_II":  "II (slight limitation)",
	"FUNCTIONAL_CLASS_III": "III (marked limitation)",
	"FUNCTIONAL_CLASS_IV":  "IV (symptoms at rest)",

	"INDICATION_TRIGGER_EARLY_REPAIR": "early repair of a valve that is very likely repairable",
	"INDICATION_TRIGGER_CONCOMITANT":  "another operation on the heart",

	"ASSESSMENT_KIND_TRANSTHORACIC":          "transthoracic echo",
	"ASSESSMENT_KIND_TRANSOESOPHAGEAL_AWAKE": "transoesophageal echo, awake or sedated",
	"ASSESSMENT_KIND_PRE_BYPASS":             "transoesophageal echo before bypass",
	"ASSESSMENT_KIND_CT":                     "computed tomography",
	"ASSESSMENT_KIND_MAGNETIC_RESONANCE":     "cardiac magnetic resonance",

	"METHOD_ECHO_2D": "2D echo", "METHOD_ECHO_3D": "3D echo", "METHOD_DOPPLER": "Doppler", "METHOD_M_MODE": "M-mode",
	"METHOD_CT": "computed tomography", "METHOD_SIZER": "ring sizer", "METHOD_VISUAL": "estimate by eye",

	"DYSFUNCTION_TYPE_I":    "type I, normal motion",
	"DYSFUNCTION_TYPE_II":   "type II, excess motion",
	"DYSFUNCTION_TYPE_IIIA": "type IIIa, restricted in systole and diastole",
	"DYSFUNCTION_TYPE_IIIB": "type IIIb, restricted in systole",

	"LESION_KIND_CHORD_RUPTURE": "ruptured chord", "LESION_KIND_CHORD_ELONGATION": "elongated chord",
	"LESION_KIND_PAPILLARY_MUSCLE": "elongated or ruptured papillary muscle", "LESION_KIND_CLEFT": "cleft or deep indentation",
	"LESION_KIND_BILLOWING": "billowing body", "LESION_KIND_RETRACTION": "thickened or retracted tissue",

	"REGURGITATION_TIMING_MID_LATE": "mid and late systolic", "REGURGITATION_TIMING_BIMODAL": "early and late systolic",
	"REGURGITATION_TIMING_EARLY": "early systolic",

	"REGURGITATION_MECHANISM_PROLAPSE": "prolapse or flail", "REGURGITATION_MECHANISM_RESTRICTION": "restricted motion",
	"REGURGITATION_MECHANISM_CLEFT":       "open cleft or indentation",
	"REGURGITATION_MECHANISM_SUTURE_LINE": "leak through a suture line", "REGURGITATION_MECHANISM_DILATATION": "annular dilatation",
	"REGURGITATION_MECHANISM_ANTERIOR_MOTION": "systolic anterior motion",
	"REGURGITATION_MECHANISM_CENTRAL":         "central leak without a single lesion",
	"REGURGITATION_MECHANISM_UNCLEAR":         "looked for and not understood",

	"JET_DIRECTION_ANTERIOR": "anteriorly directed", "JET_DIRECTION_POSTERIOR": "posteriorly directed",
	"JET_DIRECTION_LATERAL": "laterally directed", "JET_DIRECTION_MEDIAL": "medially directed",

	"GRADE_VALUE_PLUS_0": "0", "GRADE_VALUE_PLUS_1": "1+", "GRADE_VALUE_PLUS_2": "2+", "GRADE_VALUE_PLUS_3": "3+", "GRADE_VALUE_PLUS_4": "4+",

	"CALCIFICATION_EXTENT_FOCAL":      "a spot",
	"CALCIFICATION_EXTENT_THIRD":      "up to one third of the posterior annulus",
	"CALCIFICATION_EXTENT_TWO_THIRDS": "up to two thirds of the posterior annulus",
	"CALCIFICATION_EXTENT_EXTENSIVE":  "more than two thirds of the posterior annulus",

	"PLAN_CONTEXT_CLINIC":                "in the clinic or the conference",
	"PLAN_CONTEXT_AFTER_PRE_BYPASS_ECHO": "after the echo before bypass",
	"PLAN_CONTEXT_AFTER_INSPECTION":      "after direct inspection",

	"APPROACH_STERNOTOMY": "full sternotomy", "APPROACH_THORACOTOMY": "right thoracotomy under direct vision",
	"APPROACH_ENDOSCOPIC": "endoscopic access", "APPROACH_ROBOT_ASSISTED": "robot-assisted access",

	"RIGIDITY_SEMI_RIGID": "semi-rigid",

	"SIZING_BASIS_ANTERIOR_LEAFLET_SURFACE":  "surface of the anterior leaflet",
	"SIZING_BASIS_ANTERIOR_LEAFLET_HEIGHT":   "height of the anterior leaflet",
	"SIZING_BASIS_INTERTRIGONAL_DISTANCE":    "distance between the trigones",
	"SIZING_BASIS_INTERCOMMISSURAL_DISTANCE": "distance between the commissures",
	"SIZING_BASIS_IMAGING":                   "imaging before the operation",

	"CHORD_LENGTH_BASIS_NORMAL_SEGMENT": "against a normal segment", "CHORD_LENGTH_BASIS_CALLIPER": "by calliper",
	"CHORD_LENGTH_BASIS_SALINE": "under saline", "CHORD_LENGTH_BASIS_ANNULAR_PLANE": "to the plane of the annulus",
	"CHORD_LENGTH_BASIS_IMAGING": "from imaging",
	"CHORD_INSERTION_FREE_EDGE":  "at the free edge", "CHORD_INSERTION_ROUGH_ZONE": "behind the free edge",
	"CHORD_INSERTION_BODY":       "in the body or at the base",
	"PAPILLARY_HEAD_COMMISSURAL": "middle or commissural",

	"HEIGHT_REDUCTION_FORM_BASE_STRIP": "by a strip at the base", "HEIGHT_REDUCTION_FORM_BODY_STRIP": "by a horizontal ellipse in the body",
	"HEIGHT_REDUCTION_FORM_FOLDING": "by folding without cutting", "HEIGHT_REDUCTION_FORM_FREE_EDGE_TRIM": "by a trim of the free edge",

	"RESECTION_SHAPE_BASE_WINGS": "triangular resection with wings along the base",

	"FURTHER_TECHNIQUE_KIND_DECALCIFICATION":         "decalcification of the annulus",
	"FURTHER_TECHNIQUE_KIND_PATCH":                   "patch for missing tissue",
	"FURTHER_TECHNIQUE_KIND_CHORD_SHORTENING":        "shortening of native chords",
	"FURTHER_TECHNIQUE_KIND_PAPILLARY_REPOSITIONING": "repositioning of a papillary muscle",
	"FURTHER_TECHNIQUE_KIND_CHORD_DIVISION":          "division of secondary chords",
	"FURTHER_TECHNIQUE_KIND_PERFORATION_SUTURE":      "suture of a perforation",
	"FURTHER_TECHNIQUE_KIND_SEPTAL_RESECTION":        "resection of septal muscle",

	"STEP_CONDITION_KIND_LEAK_ON_SALINE": "if saline shows a leak", "STEP_CONDITION_KIND_RESIDUAL_PROLAPSE": "if prolapse remains",
	"STEP_CONDITION_KIND_OPEN_INDENTATION": "if an indentation opens", "STEP_CONDITION_KIND_EXCESS_HEIGHT": "if the posterior leaflet is too high",
	"STEP_CONDITION_KIND_TISSUE_UNSUITABLE": "if the tissue does not suit the first choice",
	"STEP_CONDITION_KIND_AS_TEXT":           "on a condition",

	"RUN_REASON_ANTERIOR_MOTION": "systolic anterior motion", "RUN_REASON_CIRCUMFLEX": "circumflex artery",
	"RUN_REASON_OTHER": "another reason",

	"DEVIATION_REASON_FINDING_DIFFERED":  "the finding differed from imaging",
	"DEVIATION_REASON_TEST_FAILED":       "a test failed",
	"DEVIATION_REASON_ANATOMY":           "the anatomy did not allow it",
	"DEVIATION_REASON_INSTABILITY":       "the patient was unstable",
	"DEVIATION_REASON_SUPPLY":            "material was not at hand",
	"DEVIATION_REASON_JUDGEMENT":         "the surgeon's judgement",
	"DEVIATION_REASON_CONDITION_NOT_MET": "the condition of the planned step was not met",

	"SALINE_LEAK_DISCRETE": "a leak at one spot", "SALINE_LEAK_DIFFUSE": "a diffuse leak", "SALINE_LEAK_NONE": "no leak",
	"SALINE_LEAK_INCONCLUSIVE": "no clear answer",

	"NOT_DONE_REASON_TIME": "for want of time", "NOT_DONE_REASON_FILLING": "the ventricle could not be filled",
	"NOT_DONE_REASON_AORTIC_REGURGITATION": "because of aortic regurgitation",
	"NOT_DONE_REASON_CUSTOM":               "it is not the surgeon's custom", "NOT_DONE_REASON_OTHER": "for another reason",

	"ANTERIOR_MOTION_STATE_CHORDAL":                     "of chords only",
	"ANTERIOR_MOTION_STATE_LEAFLET_WITHOUT_OBSTRUCTION": "of the leaflet without obstruction",
	"ANTERIOR_MOTION_STATE_LEAFLET_WITH_OBSTRUCTION":    "of the leaflet with obstruction",
	"ANTERIOR_MOTION_END_PERSISTS":                      "it persists",
	"ANTERIOR_MOTION_END_RESOLVED":                      "it resolved",
	"ANTERIOR_MOTION_END_RETURNED_TO_BYPASS":            "bypass was resumed",

	"MANOEUVRE_KIND_VOLUME": "volume given", "MANOEUVRE_KIND_VASOPRESSOR": "vasopressor given", "MANOEUVRE_KIND_BETA_BLOCKER": "beta blocker given",
	"MANOEUVRE_KIND_RATE_OR_PACING": "rate or pacing changed",

	"RESULT_DECISION_ACCEPTED_FOR_RISK": "accepted, a further run judged too dangerous", "RESULT_DECISION_MEDICAL_FIRST": "medical treatment first",
	"RESULT_DECISION_FURTHER_RUN": "back on bypass",

	"CONVERSION_POINT_BEFORE_REPAIR":    "before any repair step",
	"CONVERSION_POINT_SAME_STAY":        "later in the same stay",
	"CONVERSION_REASON_ANTERIOR_MOTION": "systolic anterior motion", "CONVERSION_REASON_TISSUE": "tissue not suitable",
	"CONVERSION_REASON_INSTABILITY": "time on bypass or instability", "CONVERSION_REASON_OTHER": "another reason",
	"CHORDS_KEPT_NONE": "none", "CHORDS_KEPT_POSTERIOR": "those of the posterior leaflet", "CHORDS_KEPT_BOTH": "those of both leaflets",

	"CONCOMITANT_KIND_ABLATION": "ablation for atrial fibrillation", "CONCOMITANT_KIND_APPENDAGE_CLOSURE": "closure of the left atrial appendage",
	"CONCOMITANT_KIND_AORTIC_VALVE":          "aortic valve procedure",
	"CONCOMITANT_KIND_SEPTAL_DEFECT_CLOSURE": "closure of an atrial septal defect or foramen",
	"CONCOMITANT_KIND_MYECTOMY":              "septal myectomy", "CONCOMITANT_KIND_OTHER": "another procedure",

	"TRICUSPID_TECHNIQUE_SUTURE_ANNULOPLASTY": "annuloplasty by suture", "TRICUSPID_TECHNIQUE_RING_ANNULOPLASTY": "ring annuloplasty",
	"TRICUSPID_TECHNIQUE_EDGE_TO_EDGE": "edge-to-edge repair", "TRICUSPID_TECHNIQUE_OTHER": "another technique",
	"TRICUSPID_RING_KIND_OPEN":     "ring or band open beside the conduction tissue",
	"ABLATION_LINE_POSTERIOR_WALL": "posterior wall between the veins", "ABLATION_LINE_MITRAL": "line to the mitral annulus",
	"ABLATION_LINE_LEFT_APPENDAGE": "line to the left atrial appendage", "ABLATION_LINE_INTERCAVAL": "line between the venae cavae",
	"ABLATION_LINE_TRICUSPID": "line to the tricuspid annulus", "ABLATION_LINE_RIGHT_ATRIAL_WALL": "right atrial wall or appendage",
	"ABLATION_LINE_SEPTUM": "atrial septum", "ABLATION_LINE_OTHER": "another line",
	"ABLATION_ENERGY_CUT_AND_SEW": "cutting and sewing", "ABLATION_ENERGY_PULSED_FIELD": "pulsed electric field",
	"ABLATION_ENERGY_OTHER":        "another energy",
	"APPENDAGE_TECHNIQUE_EXCISION": "cut off and sutured", "APPENDAGE_TECHNIQUE_STAPLER": "stapled", "APPENDAGE_TECHNIQUE_CLIP": "clip from outside",
	"APPENDAGE_TECHNIQUE_LIGATION": "tied off", "APPENDAGE_TECHNIQUE_SUTURE_FROM_INSIDE": "sutured from inside",
	"APPENDAGE_TECHNIQUE_OTHER":            "by another technique",
	"GRAFT_CONDUIT_LEFT_INTERNAL_THORACIC": "left internal thoracic artery", "GRAFT_CONDUIT_RIGHT_INTERNAL_THORACIC": "right internal thoracic artery",
	"GRAFT_CONDUIT_RADIAL": "radial artery", "GRAFT_CONDUIT_OTHER": "another conduit",
	"CORONARY_TARGET_DIAGONAL": "diagonal branch", "CORONARY_TARGET_CIRCUMFLEX": "circumflex or marginal branch",
	"CORONARY_TARGET_LEFT_ANTERIOR_DESCENDING": "left anterior descending artery",
	"CORONARY_TARGET_RIGHT":                    "right coronary or posterior descending artery",

	"PATCH_MATERIAL_OWN_PERICARDIUM": "own pericardium", "PATCH_MATERIAL_ANIMAL_PERICARDIUM": "animal pericardium",
	"PATCH_MATERIAL_OTHER": "another material",

	"DECLINE_REASON_NOT_NEEDED": "too little was found", "DECLINE_REASON_RISK": "the risk was judged greater than the gain",
	"DECLINE_REASON_PATIENT": "the patient did not wish it", "DECLINE_REASON_LATER": "left for a later procedure",
	"DECLINE_REASON_OTHER": "another reason",

	"ARTERIAL_CANNULA_FEMORAL": "femoral artery", "ARTERIAL_CANNULA_AXILLARY": "axillary artery", "ARTERIAL_CANNULA_OTHER": "another artery",
	"VENOUS_CANNULA_SUPERIOR_CAVA": "superior vena cava", "VENOUS_CANNULA_INFERIOR_CAVA": "inferior vena cava",
	"VENOUS_CANNULA_FEMORAL": "femoral vein", "VENOUS_CANNULA_JUGULAR": "jugular vein", "VENOUS_CANNULA_OTHER": "another vein",
	"PROTECTION_KIND_FIBRILLATING": "fibrillating heart", "PROTECTION_KIND_BEATING": "beating heart",
	"CARDIOPLEGIA_SOLUTION_COLD_BLOOD": "cold blood cardioplegia", "CARDIOPLEGIA_SOLUTION_WARM_BLOOD": "warm blood cardioplegia",
	"CARDIOPLEGIA_SOLUTION_CRYSTALLOID": "crystalloid cardioplegia",
	"CARDIOPLEGIA_ROUTE_OSTIAL":         "into the coronary ostia",
	"AORTIC_OCCLUSION_CLAMP":            "clamp from outside", "AORTIC_OCCLUSION_BALLOON": "balloon from inside", "AORTIC_OCCLUSION_NONE": "not closed",
	"SUPPORT_KIND_BALLOON": "intra-aortic balloon", "SUPPORT_KIND_EXTRACORPOREAL": "extracorporeal membrane oxygenation",
	"SUPPORT_KIND_VENTRICULAR_ASSIST":              "ventricular assist device",
	"THEATRE_DESTINATION_INTERMEDIATE_CARE":        "recovery or intermediate care",
	"THEATRE_DESTINATION_OTHER":                    "elsewhere",
	"ATRIAL_FIBRILLATION_NONE":                     "none known",
	"ATRIAL_FIBRILLATION_LONG_STANDING_PERSISTENT": "long-standing persistent",
	"PREVIOUS_PROCEDURE_MITRAL_REPAIR":             "surgical repair of the mitral valve",
	"PREVIOUS_PROCEDURE_MITRAL_CATHETER_REPAIR":    "catheter repair of the mitral valve",
	"PREVIOUS_PROCEDURE_MITRAL_REPLACEMENT":        "replacement of the mitral valve",
	"PREVIOUS_PROCEDURE_AORTIC_VALVE":              "aortic valve procedure", "PREVIOUS_PROCEDURE_TRICUSPID_VALVE": "tricuspid valve procedure",
	"PREVIOUS_PROCEDURE_CORONARY_CATHETER": "coronary intervention by catheter",
	"PREVIOUS_PROCEDURE_ABLATION":          "ablation for atrial fibrillation",
	"PREVIOUS_PROCEDURE_APPENDAGE_CLOSURE": "closure of the left atrial appendage",
	"PREVIOUS_PROCEDURE_CONGENITAL":        "congenital heart surgery", "PREVIOUS_PROCEDURE_OTHER": "another procedure",

	"CORONARY_ACTION_NONE_NEEDED": "nothing was needed", "CORONARY_ACTION_SUTURES_REMOVED": "sutures were removed",
	"CORONARY_ACTION_GRAFT": "a bypass graft was placed", "CORONARY_ACTION_CATHETER": "catheter intervention",
	"CORONARY_ACTION_OBSERVED": "observed",

	"COMPLICATION_KIND_CIRCUMFLEX_INJURY": "injury of the circumflex artery", "COMPLICATION_KIND_BLEEDING": "re-exploration for bleeding",
	"COMPLICATION_KIND_PACEMAKER": "new pacemaker", "COMPLICATION_KIND_KIDNEY_INJURY": "acute kidney injury",
	"COMPLICATION_KIND_ATRIAL_FIBRILLATION": "new atrial fibrillation", "COMPLICATION_KIND_GROOVE_DISRUPTION": "tear at the atrioventricular groove",
	"COMPLICATION_KIND_AORTIC_VALVE_INJURY": "injury of the aortic valve", "COMPLICATION_KIND_OTHER": "another complication",

	"FOLLOW_UP_KIND_THIRTY_DAYS": "30 days", "FOLLOW_UP_KIND_ONE_YEAR": "one year", "FOLLOW_UP_KIND_FIVE_YEARS": "five years",
	"FOLLOW_UP_KIND_OTHER": "another time",
	"DEATH_CAUSE_VALVE":    "of the valve", "DEATH_CAUSE_CARDIAC": "of the heart otherwise", "DEATH_CAUSE_OTHER": "not of the heart",
	"ECHO_NOT_DONE_REASON_DECLINED": "the patient declined", "ECHO_NOT_DONE_REASON_ELSEWHERE": "done elsewhere, report not received",
	"ECHO_NOT_DONE_REASON_OTHER": "another reason", "REINTERVENTION_KIND_CATHETER": "by catheter",

	"PLAN_TIMING_PROSPECTIVE":  "signed and received before incision",
	"PLAN_TIMING_LATE_ARRIVAL": "signed before incision, received after it",
}

// Spoken gives an enum value, by its name in the contract, as it is said in a
// sentence; ok is false if its word is.
func Spoken(name string) (text string, ok bool) {
	text, ok = spoken[name]
	return text, ok
}

// SpokenNames gives the enum values that are not said as their word.
func SpokenNames() []string { return slices.Sorted(maps.Keys(spoken)) }
