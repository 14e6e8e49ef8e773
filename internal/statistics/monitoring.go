package statistics

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Trial is one case of a monitored series: the risk that was expected before it, and
// what happened.
type Trial struct {
	Risk   float64
	Failed bool
}

func (t Trial) outcome() float64 {
	if t.Failed {
		return 1
	}
	return 0
}

// RiskCUSUM is a chart of likelihood ratios: it adds up how much better the outcomes
// fit odds that are Ratio times those expected. Ratio 2 looks for doubled odds of
// failure, 1/2 for halved ones.
//
// Source: Steiner, Cook, Farewell & Treasure, Biostatistics 2000;1:441-452 (weights read
// in secondary pages).
type RiskCUSUM struct {
	Ratio float64
}

// Weight is what a case adds.
func (c RiskCUSUM) Weight(t Trial) (float64, error) {
	if !(t.Risk > 0 && t.Risk < 1) {
		return 0, CertainRisk
	}
	w := -math.Log(1 - t.Risk + c.Ratio*t.Risk)
	if t.Failed {
		w += math.Log(c.Ratio)
	}
	return w, nil
}

// Point is where a chart stands after a case.
type Point struct {
	Value float64
	// Signal: the limit was reached with this case; the next begins at 0.
	Signal bool
}

// Path follows the chart through a series. After a signal it begins again at 0.
func (c RiskCUSUM) Path(series []Trial, limit float64) ([]Point, error) {
	path := make([]Point, len(series))
	var s float64
	for i, t := range series {
		w, err := c.Weight(t)
		if err != nil {
			return nil, err
		}
		s = max(0, s+w)
		path[i] = Point{Value: s, Signal: s >= limit}
		if path[i].Signal {
			s = 0
		}
	}
	return path, nil
}

// RunLength is after how many cases, on average, a chart that starts at 0 signals.
type RunLength struct {
	Cases float64
	// Error is how far a coarser computation came out from it: what the digits are worth.
	Error float64
}

// RunLength gives the run length of the chart over a department's own risks, when the
// true odds are actual times those expected: 1 in control, Ratio out of it.
//
// The chart is a chain over states between 0 and the limit, linear between them; it is
// computed with two numbers of states, and their difference is told. Source: Brook &
// Evans, Biometrika 1972;59:539-549 (from memory), held against simulation and exact
// cases in the tests.
func (c RiskCUSUM) RunLength(risks []float64, limit, actual float64) (RunLength, error) {
	if len(risks) == 0 {
		return RunLength{}, NoCases
	}
	coarse, err := c.chain(risks, limit, actual, 150)
	if err != nil {
		return RunLength{}, err
	}
	fine, err := c.chain(risks, limit, actual, 300)
	if err != nil {
		return RunLength{}, err
	}
	return RunLength{Cases: fine, Error: math.Abs(fine - coarse)}, nil
}

func (c RiskCUSUM) chain(risks []float64, limit, actual float64, states int) (float64, error) {
	step := limit / float64(states)
	system := mat.NewDense(states, states, nil)
	ones := mat.NewVecDense(states, nil)
	for i := range states {
		ones.SetVec(i, 1)
		system.Set(i, i, 1)
	}
	share := 1 / float64(len(risks))
	for _, risk := range risks {
		odds := actual * risk
		p := odds / (1 - risk + odds)
		for _, failed := range []bool{false, true} {
			w, err := c.Weight(Trial{risk, failed})
			if err != nil {
				return 0, err
			}
			probability := share * (1 - p)
			if failed {
				probability = share * p
			}
			for i := range states {
				to := max(0, float64(i)*step+w)
				if to >= limit {
					continue
				}
				left := min(int(to/step), states-1)
				part := to/step - float64(left)
				system.Set(i, left, system.At(i, left)-probability*(1-part))
				// Past the last state the run length falls to that state's: the limit is
				// where it ends, not where it is 0.
				right := min(left+1, states-1)
				system.Set(i, right, system.At(i, right)-probability*part)
			}
		}
	}
	var lengths mat.VecDense
	if err := lengths.SolveVec(system, ones); err != nil {
		var condition mat.Condition
		if !errors.As(err, &condition) {
			return 0, err
		}
		// So rarely that the arithmetic can't tell it from never.
		return math.Inf(1), nil
	}
	return lengths.AtVec(0), nil
}

// Never says that a run is too long to compute.
const Never Refusal = "no limit gives a run so long with these risks: the run asked for is too long to compute"

// Limit gives the lowest limit, in hundredths, at which the run in control is at least
// the wanted number of cases, and that run.
func (c RiskCUSUM) Limit(risks []float64, wanted float64) (float64, RunLength, error) {
	if len(risks) == 0 {
		return 0, RunLength{}, NoCases
	}
	low, high := 0, 1
	for {
		cases, err := c.chain(risks, float64(high)/100, 1, 60)
		if err != nil {
			return 0, RunLength{}, err
		}
		if cases >= wanted {
			break
		}
		if low, high = high, 2*high; high > 4000 {
			return 0, RunLength{}, Never
		}
	}
	// Few states tell about where it lies, many where.
	for high-low > 1 {
		middle := (low + high) / 2
		cases, err := c.chain(risks, float64(middle)/100, 1, 60)
		if err != nil {
			return 0, RunLength{}, err
		}
		if cases >= wanted {
			high = middle
		} else {
			low = middle
		}
	}
	at := func(hundredths int) (RunLength, error) { return c.RunLength(risks, float64(hundredths)/100, 1) }
	run, err := at(high)
	for err == nil && run.Cases < wanted {
		high++
		run, err = at(high)
	}
	for err == nil && high > 1 {
		below, failed := at(high - 1)
		if failed != nil || below.Cases < wanted {
			err = failed
			break
		}
		high, run = high-1, below
	}
	return float64(high) / 100, run, err
}

// Shift gives by how much the log odds of all expected risks of a series must be moved for
// as many failures to be expected as were seen.
func Shift(series []Trial) (float64, error) {
	if len(series) == 0 {
		return 0, NoCases
	}
	failed := 0
	for _, t := range series {
		if !(t.Risk > 0 && t.Risk < 1) {
			return 0, CertainRisk
		}
		if t.Failed {
			failed++
		}
	}
	if failed == 0 || failed == len(series) {
		return 0, NoShift
	}
	return root(func(logOdds float64) float64 {
		sum := -float64(failed)
		for _, t := range series {
			sum += Shifted(t.Risk, logOdds)
		}
		return sum
	}, -30, 30), nil
}

// Shifted moves the log odds of a risk.
func Shifted(risk, logOdds float64) float64 {
	return 1 / (1 + (1-risk)/risk*math.Exp(-logOdds))
}

// NoShift says that all or none failed.
const NoShift Refusal = "all or none failed: no shift of the expected risks fits that"

// VLAD adds up expected minus observed failures: up is fewer than expected. It is a
// picture and has no limit.
func VLAD(series []Trial) []float64 {
	path := make([]float64, len(series))
	var sum float64
	for i, t := range series {
		sum += t.Risk - t.outcome()
		path[i] = sum
	}
	return path
}

// LearningChart is Wald's sequential test as it is drawn of a learning curve: a failure
// adds 1-s, a success takes s away. Above Upper the rate is told to be the
// unacceptable one, below -Lower the acceptable one.
//
// Source: formula from memory; what is printed beside every chart (both rates, alpha,
// beta) by Biau et al. 2007 (abstract read in).
type LearningChart struct {
	Acceptable, Unacceptable float64
	// Alpha is the chance to call an acceptable rate unacceptable, Beta the other way.
	Alpha, Beta float64
}

// Steps gives s and both limits.
func (c LearningChart) Steps() (s, upper, lower float64) {
	if !(0 < c.Acceptable && c.Acceptable < c.Unacceptable && c.Unacceptable < 1) {
		panic(fmt.Sprintf("rates %v and %v", c.Acceptable, c.Unacceptable))
	}
	p := math.Log(c.Unacceptable / c.Acceptable)
	q := math.Log((1 - c.Acceptable) / (1 - c.Unacceptable))
	return q / (p + q), math.Log((1-c.Beta)/c.Alpha) / (p + q), math.Log((1-c.Alpha)/c.Beta) / (p + q)
}

// Path follows the chart.
func (c LearningChart) Path(failed []bool) []float64 {
	s, _, _ := c.Steps()
	path := make([]float64, len(failed))
	var sum float64
	for i, f := range failed {
		sum -= s
		if f {
			sum++
		}
		path[i] = sum
	}
	return path
}

// EWMA is an exponentially weighted mean of measured values about a target, with the
// limits that widen from the first value on.
//
// Source: NIST/SEMATECH e-Handbook 6.3.2.4 (read in a secondary page).
type EWMA struct {
	Target, SD float64
	// Weight of the newest value, above 0 and at most 1.
	Weight float64
	// Width of the limits in SDs of the mean.
	Width float64
}

// EWMAPoint is where it stands.
type EWMAPoint struct {
	Value, Lower, Upper float64
}

// Path follows the mean. With settled limits they are those that the widening ones end at.
func (e EWMA) Path(values []float64, settled bool) []EWMAPoint {
	path := make([]EWMAPoint, len(values))
	mean := e.Target
	for i, v := range values {
		mean = e.Weight*v + (1-e.Weight)*mean
		half := e.Width * e.SD * math.Sqrt(e.Weight/(2-e.Weight))
		if !settled {
			half *= math.Sqrt(1 - math.Pow(1-e.Weight, 2*float64(i+1)))
		}
		path[i] = EWMAPoint{mean, e.Target - half, e.Target + half}
	}
	return path
}

// CUSUM is the two-sided chart of measured values: it adds up how far they lie beyond
// the target by more than the slack.
//
// Source: NIST/SEMATECH e-Handbook 6.3.2.3 (read in secondary pages).
type CUSUM struct {
	Target, Slack, Limit float64
}

// CUSUMPoint is where its two arms stand.
type CUSUMPoint struct {
	High, Low float64
	Signal    bool
}

// Path follows both arms. It goes on after a signal, as the published example does.
func (c CUSUM) Path(values []float64) []CUSUMPoint {
	path := make([]CUSUMPoint, len(values))
	var high, low float64
	for i, v := range values {
		high = max(0, high+v-c.Target-c.Slack)
		low = max(0, low+c.Target-c.Slack-v)
		path[i] = CUSUMPoint{high, low, high > c.Limit || low > c.Limit}
	}
	return path
}

// RunLengthOf gives after how many values, on average, one of the arms signals when
// normal values lie shift SDs from the target; slack, limit and the head start of both
// arms are in SDs.
//
// Source: the integral equation of the run length, by quadrature; tables of Lucas &
// Crosier 1982 and Vance 1986 (read in secondary pages) in the tests.
func RunLengthOf(shift, slack, limit, headStart float64) float64 {
	up, fromStart := arm(shift, slack, limit, headStart)
	down, fromStartDown := arm(-shift, slack, limit, headStart)
	both := 1 / (1/up + 1/down)
	if headStart == 0 {
		return both
	}
	// Lucas & Crosier 1982: with head start the two arms' runs combine so, as long as
	// they can't signal together.
	return (fromStart*down + fromStartDown*up - up*down) / (up + down)
}

// OneSidedRunLength is that of the upper arm alone.
func OneSidedRunLength(shift, slack, limit float64) float64 {
	length, _ := arm(shift, slack, limit, 0)
	return length
}

func arm(shift, slack, limit, headStart float64) (fromZero, fromStart float64) {
	const nodes = 40
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, 0, limit)
	normal := distuv.UnitNormal
	// The first row is the length from 0, the others from the nodes.
	system := mat.NewDense(nodes+1, nodes+1, nil)
	ones := mat.NewVecDense(nodes+1, nil)
	row := func(from float64) []float64 {
		v := make([]float64, nodes+1)
		v[0] = normal.CDF(slack - from - shift)
		for j := range x {
			v[j+1] = w[j] * normal.Prob(x[j]-from+slack-shift)
		}
		return v
	}
	for i := range nodes + 1 {
		from := 0.0
		if i > 0 {
			from = x[i-1]
		}
		for j, v := range row(from) {
			system.Set(i, j, -v)
		}
		system.Set(i, i, 1+system.At(i, i))
		ones.SetVec(i, 1)
	}
	var lengths mat.VecDense
	if err := lengths.SolveVec(system, ones); err != nil {
		// The arm away from a large shift: practically never.
		return math.Inf(1), math.Inf(1)
	}
	fromStart = 1
	for j, v := range row(headStart) {
		fromStart += v * lengths.AtVec(j)
	}
	return lengths.AtVec(0), fromStart
}
