package convert

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// WithoutPoints gives a section without contours, points and triangles of surfaces,
// which are nearly all of its bytes where it has any. cut says whether it had; else it
// is the section itself.
func WithoutPoints[M proto.Message](section M) (out M, cut bool) {
	for range shapesIn(section.ProtoReflect()) {
		cut = true
		break
	}
	if !cut {
		return section, false
	}
	out = proto.Clone(section).(M)
	for shape := range shapesIn(out.ProtoReflect()) {
		shape.ContourMm = nil
		for _, l := range shape.GetLeaflets() {
			l.PointsMm, l.Triangles = nil, nil
		}
	}
	return out, true
}

// FileWithoutPoints does the same for every section of a case file, and names those
// that are not whole thereby.
func FileWithoutPoints(file *trigonev1.CaseFile) (out *trigonev1.CaseFile, cut []string) {
	out = &trigonev1.CaseFile{ExternalIdentifier: file.GetExternalIdentifier(), PatientIdentifier: file.GetPatientIdentifier()}
	for name, section := range Sections(file) {
		light, had := WithoutPoints(section)
		if had {
			cut = append(cut, name)
		}
		AddSection(out, light)
	}
	return out, cut
}

// shapesIn gives the shapes within a message that hold points.
func shapesIn(m protoreflect.Message) func(yield func(*trigonev1.AnnulusShape) bool) {
	return func(yield func(*trigonev1.AnnulusShape) bool) { eachShape(m, yield) }
}

func eachShape(m protoreflect.Message, yield func(*trigonev1.AnnulusShape) bool) (more bool) {
	if shape, ok := m.Interface().(*trigonev1.AnnulusShape); ok {
		points := len(shape.GetContourMm()) > 0
		for _, l := range shape.GetLeaflets() {
			points = points || len(l.GetPointsMm())+len(l.GetTriangles()) > 0
		}
		return !points || yield(shape)
	}
	more = true
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Message() == nil || fd.IsMap():
		case fd.IsList():
			for i := 0; more && i < v.List().Len(); i++ {
				more = eachShape(v.List().Get(i).Message(), yield)
			}
		default:
			more = eachShape(v.Message(), yield)
		}
		return more
	})
	return more
}
