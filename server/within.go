package server

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// defaultAnswerBytes is what a client of gRPC takes of one answer unless it is told to
// take more.
const defaultAnswerBytes = 4 << 20

// heldBack are the lists of an evaluation that an answer leaves out first, the largest
// before the others. Findings are never among them.
var heldBack = []protoreflect.Name{"metrics", "rule_gaps", "comparisons", "suggestions", "discrepancies"}

// withinDefault keeps the answers of calls that write or judge below what clients take:
// a write whose answer cannot be read looks like one that failed. A read is asked for in
// parts instead, and is never cut.
func withinDefault(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	resp, err := handler(ctx, req)
	m, ok := resp.(proto.Message)
	if err != nil || !ok || info.FullMethod == trigonev1.RecordService_GetCase_FullMethodName || info.FullMethod == trigonev1.RecordService_GetCaseInEmergency_FullMethodName {
		return resp, err
	}
	if over := proto.Size(m) - defaultAnswerBytes; over > 0 {
		lighten(m, over)
	}
	return resp, nil
}

// lighten leaves lists out of the evaluation of an answer, until so many bytes are gone.
func lighten(answer proto.Message, over int) {
	e := evaluationIn(answer.ProtoReflect())
	if e == nil {
		return
	}
	light := &trigonev1.Evaluation{}
	e.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		light.ProtoReflect().Set(fd, v)
		return true
	})
	fields := light.ProtoReflect().Descriptor().Fields()
	for _, name := range heldBack {
		if over < 0 {
			break
		}
		whole := proto.Size(light)
		light.ProtoReflect().Clear(fields.ByName(name))
		light.LeftOut = append(light.LeftOut, string(name))
		over -= whole - proto.Size(light)
	}
	setEvaluation(answer.ProtoReflect(), light)
}

// evaluationField is where an answer has its evaluation: in itself, or in the answer to a
// submit that it holds.
func evaluationField(m protoreflect.Message) (of protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if fd := m.Descriptor().Fields().ByName("evaluation"); fd != nil && fd.Message() != nil {
		return m, fd
	}
	if fd := m.Descriptor().Fields().ByName("submitted"); fd != nil && m.Has(fd) {
		return evaluationField(m.Get(fd).Message())
	}
	return nil, nil
}

func evaluationIn(m protoreflect.Message) *trigonev1.Evaluation {
	of, fd := evaluationField(m)
	if of == nil || !of.Has(fd) {
		return nil
	}
	e, _ := of.Get(fd).Message().Interface().(*trigonev1.Evaluation)
	return e
}

func setEvaluation(m protoreflect.Message, e *trigonev1.Evaluation) {
	of, fd := evaluationField(m)
	of.Set(fd, protoreflect.ValueOfMessage(e.ProtoReflect()))
}
