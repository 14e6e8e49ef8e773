package department

import (
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/convert"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	yes      = trigonev1.Answer_ANSWER_YES
	no       = trigonev1.Answer_ANSWER_NO
	complete = trigonev1.Recorded_RECORDED_COMPLETE
)

func answer(is bool) trigonev1.Answer {
	if is {
		return yes
	}
	return no
}

// word gives the value of an enum; a test finds words that are none.
func word[E interface {
	~int32
	protoreflect.Enum
}](w string) E {
	return convert.Enum[E](w)
}

func ptr[T any](v T) *T { return &v }

func mm(v float64) *trigonev1.Length { return &trigonev1.Length{Mm: &v} }

func cm2(v float64) *trigonev1.Area { return &trigonev1.Area{Cm2: &v} }

func ml(v float64) *trigonev1.Volume { return &trigonev1.Volume{Ml: &v} }

func mmhg(v float64) *trigonev1.Pressure { return &trigonev1.Pressure{Mmhg: &v} }

func percent(v float64) *trigonev1.Fraction { return &trigonev1.Fraction{Percent: &v} }

func doppler() *trigonev1.Context {
	return &trigonev1.Context{Method: trigonev1.Method_METHOD_DOPPLER}
}

func gradient(v float64) *trigonev1.Pressure {
	return &trigonev1.Pressure{Mmhg: &v, Context: doppler()}
}

func velocity(v float64) *trigonev1.Velocity {
	return &trigonev1.Velocity{CmPerS: &v, Context: doppler()}
}

func rate(v float64) *trigonev1.Rate { return &trigonev1.Rate{PerMin: &v} }

func grade(w string) *trigonev1.Grade {
	return &trigonev1.Grade{Scheme: trigonev1.GradeScheme_GRADE_SCHEME_FIVE_STEP, Value: word[trigonev1.GradeValue](w)}
}

func at(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

func day(t time.Time) string { return t.Format(time.DateOnly) }

func segment(w string) trigonev1.Segment { return word[trigonev1.Segment](w) }

func inSegment(w string) *trigonev1.Location {
	return &trigonev1.Location{At: &trigonev1.Location_Segment{Segment: segment(w)}}
}

func height(where string, station trigonev1.Station, v float64) *trigonev1.LeafletHeight {
	return &trigonev1.LeafletHeight{At: &trigonev1.LeafletHeight_Segment{Segment: segment(where)}, Station: station, LeafletHeight: mm(v)}
}
