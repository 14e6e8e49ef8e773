package statistics

// LeftOut gives for each pair the range that a fit to all others gives it, and what was
// measured: how often such ranges hold is no better than it will be for the next case.
func LeftOut(list []Pair) ([]Ranged, error) {
	if len(list) < LeastFitted {
		return nil, TooFewToFit
	}
	s := sumPairs(list)
	t := studentT(int64(len(list))-3, 0.975)
	out := make([]Ranged, len(list))
	for i, p := range list {
		r := s.without(p).fit(t).Range(p.Predicted)
		out[i] = Ranged{Lower: r.Lower, Upper: r.Upper, Measured: p.Measured}
	}
	return out, nil
}
