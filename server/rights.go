package server

import (
	"fmt"
	"slices"
	"strings"

	healthgrpc "google.golang.org/grpc/health/grpc_health_v1"
	reflectiongrpc "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionalpha "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"

	"trigone/internal/deployment"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/server/fhirrest"
	"trigone/server/pages"
)

// right is one row of the table of rights: an RPC, or an address of FHIR over HTTP,
// with the roles that may call it. What has no row may be called by nobody.
type right struct {
	// call is the full name of an RPC, fhir and a route of that face, or page and one of
	// a page.
	call  string
	roles []deployment.Role
	// anybody may call it without signing in: it tells nothing of the record.
	anybody bool
	// across says that one answer may be drawn from several sites: sites/- is all of
	// one's own at which one may call. Of any other call apart may say why not.
	across bool
	apart  string
	about  string
}

const (
	planner       = deployment.Planner
	recorder      = deployment.Recorder
	reader        = deployment.Reader
	reviewer      = deployment.Reviewer
	auditor       = deployment.Auditor
	administrator = deployment.Administrator
)

func may(roles ...deployment.Role) []deployment.Role { return roles }

// Those who read cases: all but who only keeps the record.
func reading() []deployment.Role { return may(planner, recorder, reader, reviewer, auditor) }

// fhirRoute is how the table names a route of FHIR over HTTP.
func fhirRoute(route string) string { return "fhir " + route }

// rights is the one table: the server, the README and the tests are made from it.
var rights = []right{
	{call: trigonev1.RecordService_SubmitCase_FullMethodName, roles: may(planner, recorder), about: "submit sections of a case"},
	{call: trigonev1.RecordService_GetCase_FullMethodName, roles: reading(), about: "read a case"},
	{call: trigonev1.RecordService_GetCaseInEmergency_FullMethodName, roles: may(planner, reviewer), about: "read a case while reads are refused, with a reason"},
	{call: trigonev1.RecordService_ListCases_FullMethodName, roles: reading(), across: true, about: "list cases"},
	{call: trigonev1.RecordService_ListRevisions_FullMethodName, roles: reading(), about: "read what a case said before"},
	{call: trigonev1.RecordService_ListChanges_FullMethodName, roles: reading(), apart: "changes are numbered by each site, so that each is followed by a cursor of its own", about: "follow what changes"},
	{call: trigonev1.RecordService_ListQuarantined_FullMethodName, roles: may(reviewer), about: "list what is in quarantine"},
	{call: trigonev1.RecordService_GetQuarantined_FullMethodName, roles: may(reviewer), about: "read what is in quarantine, with identifiers"},
	{call: trigonev1.RecordService_FileQuarantined_FullMethodName, roles: may(reviewer), about: "file or discard what is in quarantine"},
	{call: trigonev1.RecordService_RetractSection_FullMethodName, roles: may(recorder, reviewer), about: "retract a section"},
	{call: trigonev1.RecordService_RetractCase_FullMethodName, roles: may(reviewer), about: "retract a case"},
	{call: trigonev1.RecordService_AmendIdentity_FullMethodName, roles: may(reviewer), about: "amend who the patient is"},
	{call: trigonev1.RecordService_ConfirmFinding_FullMethodName, roles: may(planner, recorder, reviewer), about: "confirm a disputed value"},
	{call: trigonev1.RecordService_RevokeConfirmation_FullMethodName, roles: may(planner, recorder, reviewer), about: "take a confirmation back"},
	{call: trigonev1.RecordService_EvaluateAgain_FullMethodName, roles: may(planner, recorder, reviewer), about: "judge a case by the present versions"},
	{call: trigonev1.PlanningService_EvaluatePlan_FullMethodName, roles: may(planner), about: "try a plan, ask while operating"},
	{call: trigonev1.PlanningService_ExplorePlans_FullMethodName, roles: may(planner, reviewer), about: "explore variants of a plan"},
	{call: trigonev1.ElectronicRecordService_GetBundle_FullMethodName, roles: reading(), about: "a case as a FHIR bundle"},
	{call: trigonev1.ElectronicRecordService_GetOperativeNote_FullMethodName, roles: reading(), about: "read or draft the operative note"},
	{call: trigonev1.ElectronicRecordService_SignOperativeNote_FullMethodName, roles: may(planner), about: "sign the operative note"},
	{call: trigonev1.ElectronicRecordService_ExportResources_FullMethodName, roles: may(reader, auditor), across: true, about: "export every case as FHIR"},
	{call: trigonev1.AuditService_ListDiscrepancies_FullMethodName, roles: may(reviewer, auditor), across: true, about: "differences from the plan, over cases"},
	{call: trigonev1.AuditService_ListComparisons_FullMethodName, roles: may(reviewer, auditor), across: true, about: "comparisons with the plan, over cases"},
	{call: trigonev1.AuditService_ListCaseFacts_FullMethodName, roles: may(reviewer, auditor), across: true, about: "facts of each case"},
	{call: trigonev1.AuditService_SummarizeAgreement_FullMethodName, roles: may(reviewer, auditor), about: "how far results lie from plans and predictions"},
	{call: trigonev1.AuditService_MonitorOutcomes_FullMethodName, roles: may(planner, reviewer, auditor), about: "outcomes followed from operation to operation; one operator's for an auditor, and for himself"},
	{call: trigonev1.AuditService_ListGaps_FullMethodName, roles: may(reviewer, auditor), about: "what is missing in the record"},
	{call: trigonev1.AuditService_SubmitTheatreCount_FullMethodName, roles: may(recorder, auditor), about: "what the theatre list says was operated in a month"},
	{call: trigonev1.AuditService_EstimateFreedom_FullMethodName, roles: may(reviewer, auditor), about: "what becomes of patients after the operation"},
	{call: trigonev1.AuditService_ExtractTable_FullMethodName, roles: may(auditor), apart: "its cases are numbered and coarsened among those of one site", about: "tables for statisticians; with case numbers for who is reviewer too"},
	{call: trigonev1.AuditService_SummarizeOutcomes_FullMethodName, roles: may(reviewer, auditor), about: "what became of the patients; operators side by side for an auditor, and for an operator"},
	{call: trigonev1.AuditService_SummarizeLedger_FullMethodName, roles: may(reviewer, auditor), about: "how the record itself is kept"},
	{call: trigonev1.AuditService_CalibratePrediction_FullMethodName, roles: may(reviewer, auditor), about: "whether a prediction fitted to the site's cases foretells better"},
	{call: trigonev1.AuditService_SignOffAccess_FullMethodName, roles: may(reviewer), about: "sign off that somebody read in an emergency"},
	{call: trigonev1.AuditService_FindImplants_FullMethodName, roles: may(reviewer), across: true, about: "in whom an implant is, for a recall"},
	{call: trigonev1.AuditService_ListAccesses_FullMethodName, roles: may(reviewer, auditor, administrator), across: true, about: "who looked"},
	{call: trigonev1.AdministrationService_EraseIdentity_FullMethodName, roles: may(administrator), about: "remove what identifies a patient, for good"},
	{call: trigonev1.AdministrationService_EraseCase_FullMethodName, roles: may(administrator), about: "remove a case, for good"},
	{call: trigonev1.AdministrationService_RunRetention_FullMethodName, roles: may(administrator), about: "remove what was kept for its time"},
	{call: trigonev1.ReferenceService_ListMetrics_FullMethodName, roles: deployment.Roles(), about: "the catalogue"},
	{call: trigonev1.ReferenceService_ListRules_FullMethodName, roles: deployment.Roles(), about: "the rules and limits"},
	{call: trigonev1.ReferenceService_ListSources_FullMethodName, roles: deployment.Roles(), about: "where numbers come from"},
	{call: trigonev1.ReferenceService_GetPolicy_FullMethodName, roles: deployment.Roles(), about: "the clinical policy"},

	{call: fhirRoute(fhirrest.RouteMetadata), roles: deployment.Roles(), about: "what is served"},
	{call: fhirRoute(fhirrest.RouteTerminology), roles: deployment.Roles(), about: "what codes and profiles mean"},
	{call: fhirRoute(fhirrest.RouteType), roles: reading(), about: "search"},
	{call: fhirRoute(fhirrest.RouteSearch), roles: reading(), about: "search by POST"},
	{call: fhirRoute(fhirrest.RouteRead), roles: reading(), about: "read a resource"},
	{call: fhirRoute(fhirrest.RouteVersion), roles: reading(), about: "read a version of a resource"},
	{call: fhirRoute(fhirrest.RouteByStaff), roles: may(auditor), about: "search by who operated or signed; for one's own pseudonyms whoever may search"},
	{call: fhirRoute(fhirrest.RouteExport), roles: may(reader, auditor), about: "begin an export of every case"},
	{call: fhirRoute(fhirrest.RouteExportAccesses), roles: may(auditor), about: "export who looked, over gRPC too"},
	{call: fhirRoute(fhirrest.RouteExportStatus), roles: may(reader, auditor), about: "ask about an export, remove it"},
	{call: fhirRoute(fhirrest.RouteExportFile), roles: may(reader, auditor), about: "fetch a file of an export"},

	{call: pages.PageRight("/"), roles: deployment.Roles(), about: "how the department stands, as far as one may see it"},
	{call: pages.PageRight("/differences"), roles: may(reviewer, auditor), about: "differences from the plan, over cases"},
	{call: pages.PageRight("/differences.csv"), roles: may(reviewer, auditor), about: "these as a file"},
	{call: pages.PageRight("/differences-columns.csv"), roles: may(reviewer, auditor), about: "what its columns mean"},
	{call: pages.PageRight("/agreement"), roles: may(reviewer, auditor), about: "how far results lie from plans and predictions"},
	{call: pages.PageRight("/agreement.csv"), roles: may(reviewer, auditor), about: "the same as a file"},
	{call: pages.PageRight("/agreement-columns.csv"), roles: may(reviewer, auditor), about: "what its columns mean"},
	{call: pages.PageRight("/outcomes"), roles: may(reviewer, auditor), about: "what became of the patients"},
	{call: pages.PageRight("/monitoring"), roles: may(planner, reviewer, auditor), about: "outcomes from operation to operation"},
	{call: pages.PageRight("/freedom"), roles: may(reviewer, auditor), about: "what comes to patients over the years"},
	{call: pages.PageRight("/prediction"), roles: may(reviewer, auditor), about: "how often predicted ranges held"},
	{call: pages.PageRight("/gaps"), roles: may(reviewer, auditor), about: "what is missing in the record"},
	{call: pages.PageRight("/comparisons"), roles: may(reviewer, auditor), about: "comparisons behind a number"},
	{call: pages.PageRight("/comparisons.csv"), roles: may(reviewer, auditor), about: "these as a file"},
	{call: pages.PageRight("/comparisons-columns.csv"), roles: may(reviewer, auditor), about: "what its columns mean"},
	{call: pages.PageRight("/counted"), roles: may(reviewer, auditor), about: "cases behind a number"},
	{call: pages.PageRight("/cases"), roles: reading(), about: "cases, what needs a person first"},
	{call: pages.PageRight("/cases/{uid}"), roles: reading(), about: "one case"},
	{call: pages.PageRight("/cases/{uid}/note"), roles: reading(), about: "the operative note to read"},
	{call: pages.PageRight("/cases/{uid}/note.pdf"), roles: reading(), about: "the operative note to print"},
	{call: pages.PageRight("/cases/{uid}/bundle"), roles: reading(), about: "a case as a FHIR bundle"},
	{call: pages.PageRight("/rules"), roles: deployment.Roles(), about: "the rules and limits"},
	{call: pages.PageRight("/metrics"), roles: deployment.Roles(), about: "the catalogue"},
	{call: pages.PageRight("/try"), roles: may(planner), about: "try a plan that is typed in, of which nothing is kept"},
	{call: pages.PageRight("/sources"), roles: deployment.Roles(), about: "where numbers come from"},
	{call: pages.PageRight("/sign-in"), anybody: true, about: "show a token, once"},
	{call: pages.PageRight("/sign-out"), anybody: true, about: "end one's session"},
	{call: pages.PageRight("/style.css"), anybody: true, about: "how pages look"},
	{call: pages.PageRight("/icon.svg"), anybody: true, about: "the sign of this software"},

	{call: healthgrpc.Health_Check_FullMethodName, anybody: true, about: "is the server well"},
	{call: healthgrpc.Health_Watch_FullMethodName, anybody: true, about: "follow whether it is"},
	{call: healthgrpc.Health_List_FullMethodName, anybody: true, about: "is the server well"},
	{call: reflectiongrpc.ServerReflection_ServerReflectionInfo_FullMethodName, roles: deployment.Roles(), about: "the contract, where reflection is on"},
	{call: reflectionalpha.ServerReflection_ServerReflectionInfo_FullMethodName, roles: deployment.Roles(), about: "the same in its earlier form"},
}

var rightOf = func() map[string]*right {
	list := map[string]*right{}
	for i := range rights {
		list[rights[i].call] = &rights[i]
	}
	return list
}()

// allows says whether one of these roles may call; nil, for what has no row, allows
// nobody.
func (r *right) allows(roles []deployment.Role) bool {
	return r != nil && slices.ContainsFunc(roles, func(role deployment.Role) bool { return slices.Contains(r.roles, role) })
}

// RightsTable gives the table as the README shows it.
func RightsTable() string {
	var b strings.Builder
	b.WriteString("| call | |")
	for _, role := range deployment.Roles() {
		fmt.Fprintf(&b, " %s |", role)
	}
	b.WriteString("\n|---|---|" + strings.Repeat(":-:|", len(deployment.Roles())) + "\n")
	for _, r := range rights {
		name := strings.TrimPrefix(strings.ReplaceAll(r.call, "/trigone.v1.", ""), "/")
		fmt.Fprintf(&b, "| `%s` | %s |", name, r.about)
		for _, role := range deployment.Roles() {
			mark := " |"
			if r.anybody || slices.Contains(r.roles, role) {
				mark = " x |"
			}
			b.WriteString(mark)
		}
		b.WriteString("\n")
	}
	return b.String()
}
