package casebook

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"trigone/internal/convert"
)

const fieldReadMask = "read_mask"

// checkMask refuses paths that are no fields of what is answered.
func checkMask(mask *fieldmaskpb.FieldMask, answered proto.Message) []convert.Violation {
	var list []convert.Violation
	fields := answered.ProtoReflect().Descriptor().Fields()
	for i, path := range mask.GetPaths() {
		if fields.ByName(protoreflect.Name(path)) != nil {
			continue
		}
		list = append(list, convert.Violation{
			Path: fmt.Sprintf("%s.paths[%d]", fieldReadMask, i), Message: fmt.Sprintf("is no field of %s; give names of its fields, such as %s",
				answered.ProtoReflect().Descriptor().Name(), fields.Get(1).Name()),
		})
	}
	return list
}

// masked says whether a field is answered.
func masked(mask *fieldmaskpb.FieldMask, field string) bool {
	return len(mask.GetPaths()) == 0 || slices.Contains(mask.GetPaths(), field)
}

// applyMask takes from an answer what was not asked for; always stays.
func applyMask(mask *fieldmaskpb.FieldMask, m proto.Message, always ...string) {
	fields := m.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if name := string(fields.Get(i).Name()); !masked(mask, name) && !slices.Contains(always, name) {
			m.ProtoReflect().Clear(fields.Get(i))
		}
	}
}
