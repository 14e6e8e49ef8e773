package convert

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"trigone/internal/units"
	"trigone/internal/valve"
	trigonev1 "trigone/proto/trigone/v1"
)

// quantities are the messages that hold one measured value, with the name of the
// field that holds it. The name of a field of one of these types is its leaf.
var quantities = map[protoreflect.FullName]protoreflect.Name{
	"trigone.v1.Length": "mm", "trigone.v1.Offset": "mm", "trigone.v1.Area": "cm2", "trigone.v1.Volume": "ml",
	"trigone.v1.StrokeDistance": "cm", "trigone.v1.Velocity": "cm_per_s", "trigone.v1.Pressure": "mmhg",
	"trigone.v1.Fraction": "percent", "trigone.v1.Duration": "ms", "trigone.v1.Angle": "deg", "trigone.v1.Rate": "per_min",
	"trigone.v1.Ratio": "value", "trigone.v1.CardiacOutput": "l_per_min",
}

// notReasoned are the messages whose values no formula reads, with the reason.
var notReasoned = map[protoreflect.FullName]string{
	"trigone.v1.ExpectedRisk": "a risk by the site's own model is recorded, not recalculated",
	"trigone.v1.Evaluation":   "an answer given earlier is evidence, not a measurement",
	"trigone.v1.Advice":       "what was said while operating is kept as it was said; its inputs stand in the operation",
}

// frame is what a value inherits from the messages around it.
type frame struct {
	path     string // field path, where somebody asks for paths
	occasion valve.Occasion
	place    valve.Place
	role     valve.Role
	context  valve.Context
	studyID  string
	run      int
	stage    valve.Stage
	test     string // id of the ink test
	step     string // id of the step
}

// collector gathers the measured values of messages.
type collector struct {
	into  valve.Measurements
	twice bool // a value stood under a key that had one already; the first is kept
	// again is told of such a value, and where the first stands; nil: nobody asks
	// for paths, and none are made.
	again func(path, firstPath string)
	paths map[valve.Key]string // of the values kept
}

func newCollector() *collector {
	return &collector{into: valve.Measurements{}}
}

func (c *collector) put(k valve.Key, m valve.Measurement, path string) {
	if _, have := c.into[k]; have {
		c.twice = true
		if c.again != nil {
			c.again(path, c.paths[k])
		}
		return
	}
	c.into[k] = m
	if c.again != nil {
		c.paths[k] = path
	}
}

// identity reads the two measured values of the identity section.
func (c *collector) identity(id *trigonev1.Identity, path string) {
	put := func(leaf valve.ID, v *float64) {
		if v == nil {
			return
		}
		k := valve.Key{ID: leaf, Occasion: valve.AtIdentity, Role: valve.Measured}
		c.put(k, valve.Measurement{Value: units.Some(*v), StudyID: string(valve.AtIdentity)}, path)
	}
	if id != nil {
		put(valve.BodyHeight, id.HeightCm)
		put(valve.BodyWeight, id.WeightKg)
	}
}

// walk reads every measured value below a message.
func (c *collector) walk(m protoreflect.Message, f frame) {
	if _, skip := notReasoned[m.Descriptor().FullName()]; skip {
		return
	}
	f = enter(m.Interface(), f)
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.Message() == nil || fd.IsMap() || !m.Has(fd) {
			continue
		}
		if fd.IsList() {
			list := m.Get(fd).List()
			for j := range list.Len() {
				inner := f
				if c.again != nil {
					inner.path = entry(below(f.path, string(fd.Name())), j)
				}
				c.walk(list.Get(j).Message(), inner)
			}
			continue
		}
		inner := f
		if c.again != nil {
			inner.path = below(f.path, string(fd.Name()))
		}
		if valueField, isQuantity := quantities[fd.Message().FullName()]; isQuantity {
			c.quantity(fd, m.Get(fd).Message(), valueField, inner)
			continue
		}
		if fd.Message().FullName() == "trigone.v1.SlidingSide" {
			inner.place = valve.AtStepSide(f.step, valve.Side(fd.Name()))
		}
		c.walk(m.Get(fd).Message(), inner)
	}
}

// ValueField gives the name of the field that holds the value of a quantity message,
// which is its unit; empty: it is no quantity.
func ValueField(md protoreflect.MessageDescriptor) string { return string(quantities[md.FullName()]) }

// isQuantityValue says whether a field holds the value of a quantity message.
func isQuantityValue(fd protoreflect.FieldDescriptor) bool {
	name, ok := quantities[fd.ContainingMessage().FullName()]
	return ok && name == fd.Name()
}

func (c *collector) quantity(fd protoreflect.FieldDescriptor, q protoreflect.Message, valueField protoreflect.Name, f frame) {
	fields := q.Descriptor().Fields()
	number := func(name protoreflect.Name) units.Maybe[float64] {
		d := fields.ByName(name)
		if !q.Has(d) {
			return units.None[float64]()
		}
		return units.Some(q.Get(d).Float())
	}
	out := valve.Measurement{
		Value: number(valueField), SD: number("sd"), Context: f.context, StudyID: f.studyID, Run: f.run, Stage: f.stage,
	}
	out.Absent = valve.AbsentReason(Word(trigonev1.AbsentReason(q.Get(fields.ByName("absent_reason")).Enum())))
	if d := fields.ByName("context"); q.Has(d) {
		own := q.Get(d).Message().Interface().(*trigonev1.Context)
		out.Context = mergeContext(f.context, own)
		out.MethodItsOwn = Word(own.GetMethod()) != ""
	}
	if out.Value.IsNone() && out.Absent == "" {
		return
	}
	c.put(valve.Key{ID: valve.ID(fd.Name()), Place: f.place, Occasion: f.occasion, Role: f.role}, out, f.path)
}

// mergeContext lays a context over the enclosing one, field by field.
func mergeContext(outer valve.Context, inner *trigonev1.Context) valve.Context {
	if inner == nil {
		return outer
	}
	merge(&outer.Method, valve.Method(Word(inner.GetMethod())))
	merge(&outer.Load, valve.Load(Word(inner.GetLoad())))
	merge(&outer.Phase, valve.CardiacPhase(Word(inner.GetCardiacPhase())))
	merge(&outer.Path, Word(inner.GetPath()))
	merge(&outer.Plane, Word(inner.GetPlane()))
	return outer
}

func merge[T ~string](to *T, word T) {
	if word != "" {
		*to = word
	}
}

// enter changes what is inherited at the messages that say where, when or how.
func enter(m proto.Message, f frame) frame {
	switch m := m.(type) {
	case *trigonev1.Study:
		f.context = mergeContext(f.context, m.GetContext())
		if m.GetStudyId() != "" {
			f.studyID = m.GetStudyId()
		}
	case *trigonev1.LeafletHeight:
		f.place = heightPlace(m)
	case *trigonev1.Scallop:
		f.place = valve.AtSegment(segment(m.GetSegment()))
	case *trigonev1.Coaptation:
		f.place = valve.AtSlice(valve.Slice(Word(m.GetSlice())))
	case *trigonev1.ExpectedClosure:
		f.place = valve.AtSlice(valve.A2P2)
	case *trigonev1.Lesion:
		f.place = valve.AtLesion(m.GetId())
	case *trigonev1.PlannedStep:
		f.step = m.GetId()
		f.place = valve.AtStep(m.GetId())
	case *trigonev1.PerformedStep:
		f.step = m.GetId()
		f.place = valve.AtStep(m.GetId())
		f.run = int(m.GetRun())
	case *trigonev1.ChordLengthAt:
		f.place = valve.Within(f.step, chordPlace(m))
	case *trigonev1.FieldHeights:
		f = inField(f, m.GetRun(), m.GetStage())
		f.context = mergeContext(f.context, m.GetContext())
	case *trigonev1.SalineTest:
		f = inField(f, m.GetRun(), m.GetStage())
		f.place = valve.AtTest(m.GetId())
	case *trigonev1.InkTest:
		f = inField(f, m.GetRun(), m.GetStage())
		f.test = m.GetId()
		f.context = mergeContext(f.context, m.GetContext())
	case *trigonev1.InkMark:
		f.place = valve.AtTestSegment(f.test, segment(m.GetSegment()))
	}
	return f
}

func inField(f frame, run int32, stage trigonev1.Stage) frame {
	f.run, f.stage = int(run), valve.Stage(Word(stage))
	f.occasion = valve.InRun(f.run, f.stage)
	f.studyID = string(f.occasion)
	return f
}

func segment(s trigonev1.Segment) valve.Segment { return valve.Segment(Word(s)) }

func heightPlace(h *trigonev1.LeafletHeight) valve.Place {
	if c := h.GetCommissure(); c != trigonev1.Commissure_COMMISSURE_UNSPECIFIED {
		return valve.AtCommissure(valve.Commissure(Word(c)))
	}
	return valve.AtStation(segment(h.GetSegment()), valve.Station(Word(h.GetStation())))
}

// chordPlace gives where the chords of one of several lengths go.
func chordPlace(l *trigonev1.ChordLengthAt) valve.Place {
	if c := l.GetCommissure(); c != trigonev1.Commissure_COMMISSURE_UNSPECIFIED {
		return valve.AtCommissure(valve.Commissure(Word(c)))
	}
	side := valve.Side(Word(l.GetSide()))
	if s := segment(l.GetSegment()); s != "" {
		return valve.AtSegmentSide(s, side)
	}
	if side != "" {
		return valve.AtSide(side)
	}
	return valve.Nowhere
}

// sectionFrame is where the values of a section begin.
func sectionFrame(name, path string) frame {
	role := valve.Measured
	if name == SectionPlan {
		role = valve.Planned
	}
	return frame{path: path, occasion: valve.Occasion(name), role: role, studyID: name}
}

// result puts run and stage of a result on its values.
func resultFrame(r *trigonev1.Result, path string) frame {
	f := sectionFrame(kindResult+"/"+r.GetId(), path)
	f.run, f.stage = int(r.GetRun()), valve.Stage(Word(r.GetStage()))
	return f
}

// measure reads every measured value of a section, which stands at a path of what
// is checked.
func (c *collector) measure(name string, m proto.Message, path string) {
	switch m := m.(type) {
	case *trigonev1.Identity:
		c.identity(m, path)
	case *trigonev1.Result:
		c.walk(m.ProtoReflect(), resultFrame(m, path))
	default:
		c.walk(m.ProtoReflect(), sectionFrame(name, path))
	}
}
