package casebook

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"trigone/internal/convert"
)

const (
	fieldReadMask   = "read_mask"
	fieldEvaluation = "evaluation"
)

// checkMask refuses paths that are no fields of what is answered.
func checkMask(mask *fieldmaskpb.FieldMask, answered proto.Message) []convert.Violation {
	var list []convert.Violation
	fields := answered.ProtoReflect().Descriptor().Fields()
	for i, path := range mask.GetPaths() {
		name, inner, nested := strings.Cut(path, ".")
		fd := fields.ByName(protoreflect.Name(name))
		if fd != nil && (!nested || name == fieldEvaluation && fd.Message().Fields().ByName(protoreflect.Name(inner)) != nil) {
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
	return len(mask.GetPaths()) == 0 || slices.ContainsFunc(mask.GetPaths(), func(path string) bool {
		return path == field || strings.HasPrefix(path, field+".")
	})
}

// belowMask gives the part of a mask that is about a field's own fields; nil: all of them.
func belowMask(mask *fieldmaskpb.FieldMask, field string) *fieldmaskpb.FieldMask {
	out := &fieldmaskpb.FieldMask{}
	for _, path := range mask.GetPaths() {
		if path == field {
			return nil
		}
		if inner, ok := strings.CutPrefix(path, field+"."); ok {
			out.Paths = append(out.Paths, inner)
		}
	}
	return out
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
