package render

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	trigonev1 "trigone/proto/trigone/v1"
)

// Whatever was called, its name is read without a word of it broken, and the page keeps
// its width.
func TestNamesOfCallsAreNotBroken(t *testing.T) {
	methods := []string{"GET Procedure/{id}/_history/{version}", "GET MedicationAdministration/{id}/_history/{version}", "POST ServiceRequest/_search", "GET $export-file/{id}/{file}"}
	protoregistry.GlobalFiles.RangeFilesByPackage("trigone.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for k := range service.Methods().Len() {
				methods = append(methods, string(service.Name())+"/"+string(service.Methods().Get(k).Name()))
			}
		}
		return true
	})
	if len(methods) < 30 {
		t.Fatalf("only %d methods", len(methods))
	}
	for _, method := range methods {
		var page bytes.Buffer
		Accesses(&page, []*trigonev1.Access{{
			Number: 12345678, Time: timestamppb.New(time.Unix(1900000000, 0)), Caller: "integration-engine-of-the-house", Method: method,
			CaseName: "sites/harbour/cases/1b9d6bcd-bbfd-4b2d-9b5d-ab8dfbbd4bed", Outcome: "PermissionDenied", Detail: "emergency", Concerns: 77,
		}}, false)
		lines := strings.Split(page.String(), "\n")
		for _, line := range lines {
			if text.StringWidth(line) > usual {
				t.Errorf("%s: %d columns: %s", method, text.StringWidth(line), line)
			}
		}
		for word := range strings.FieldsFuncSeq(method, func(r rune) bool { return r == '/' || r == ' ' }) {
			if !strings.Contains(page.String(), word) {
				t.Errorf("%s is broken in %s:\n%s", method, word, page.String())
			}
		}
	}
}
