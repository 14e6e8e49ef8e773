package rules

import (
	"slices"

	"trigone/internal/metric"
	"trigone/internal/repair"
	"trigone/internal/settings"
	"trigone/internal/valve"
)

var lateralWallAbnormalWithoutAction = Rule{
	ID: "lateral-wall-abnormal-without-action", Reference: "R66",
	Summary:  "A lateral wall that newly moves abnormally after bypass has what was done about the coronary artery recorded.",
	Severity: Caution, Kind: Clinical, Source: settings.SourceCommonPractice,
	Advice: "Exclude an injury of the circumflex artery and record what was done, or that nothing was needed.",
	Since:  "1",
	Where: func(c *repair.Case) []metric.At {
		if c.Operation == nil || (c.Operation.Neighbourhood.LateralWallNewlyAbnormal == "" && !lateralWallNew(c) && len(c.OfKind(repair.Result)) == 0) {
			return nil
		}
		return inOperation(c)
	},
	Check: func(r *Reader) Verdict {
		n := r.Case().Operation.Neighbourhood
		abnormal := n.LateralWallNewlyAbnormal == valve.Yes || lateralWallNew(r.Case())
		if !abnormal {
			r.Word("lateral_wall_newly_abnormal", string(n.LateralWallNewlyAbnormal), valve.AtOperation)
			return Verdict{}
		}
		if n.CoronaryAction != "" {
			return Verdict{}
		}
		r.Fact("lateral wall", "newly abnormal")
		return broken("The lateral wall newly moves abnormally after bypass, and nothing is recorded about the coronary artery.")
	},
	Examples: []Example{
		{Name: "looked at and unchanged", Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) { o.Neighbourhood.LateralWallNewlyAbnormal = valve.No }).Case()
		}},
		{Name: "newly abnormal, nothing said", Want: Broken, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).
				EditStudy(func(s *repair.Study) { s.NewLateral = true }).Case()
		}},
		{Name: "newly abnormal, observed", Edge: true, Want: Holds, Case: func() *repair.Case {
			return repair.NewExample().EditOperation(func(o *repair.Operation) {
				o.Neighbourhood.LateralWallNewlyAbnormal, o.Neighbourhood.CoronaryAction = valve.Yes, "observed"
			}).Case()
		}},
		{Name: "the wall is not recorded", Want: NotEvaluable, Case: func() *repair.Case {
			return repair.NewExample().Operation().Result("off", 1, valve.OffBypass).Case()
		}},
	},
}

// lateralWallNew says whether a result saw a lateral wall that newly moves
// abnormally.
func lateralWallNew(c *repair.Case) bool {
	return slices.ContainsFunc(c.Studies, func(s repair.Study) bool { return s.Kind == repair.Result && s.NewLateral })
}
