package server

import (
	"context"

	"google.golang.org/grpc"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/handover"
	"trigone/internal/ledger"
	trigonev1 "trigone/proto/trigone/v1"
)

// answer hands a call to the room that answers it, with who asks.
func answer[Q, R any](ctx context.Context, req Q, room func(context.Context, casebook.Principal, Q) (R, error)) (R, error) {
	return room(ctx, casebook.PrincipalOf(ctx), req)
}

// stream does the same for a call that is answered many times.
func stream[Q, R any](req Q, out grpc.ServerStreamingServer[R], room func(context.Context, casebook.Principal, Q, func(*R) error) error) error {
	return room(out.Context(), casebook.PrincipalOf(out.Context()), req, out.Send)
}

type recordService struct {
	trigonev1.UnimplementedRecordServiceServer
	book *casebook.Book
}

func (s recordService) SubmitCase(ctx context.Context, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	return answer(ctx, req, s.book.SubmitCase)
}

func (s recordService) GetCase(ctx context.Context, req *trigonev1.GetCaseRequest) (*trigonev1.GetCaseResponse, error) {
	return answer(ctx, req, s.book.GetCase)
}

func (s recordService) ListCases(ctx context.Context, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	return answer(ctx, req, s.book.ListCases)
}

func (s recordService) ListRevisions(ctx context.Context, req *trigonev1.ListRevisionsRequest) (*trigonev1.ListRevisionsResponse, error) {
	return answer(ctx, req, s.book.ListRevisions)
}

func (s recordService) ListChanges(ctx context.Context, req *trigonev1.ListChangesRequest) (*trigonev1.ListChangesResponse, error) {
	return answer(ctx, req, s.book.ListChanges)
}

func (s recordService) FileQuarantined(ctx context.Context, req *trigonev1.FileQuarantinedRequest) (*trigonev1.FileQuarantinedResponse, error) {
	return answer(ctx, req, s.book.FileQuarantined)
}

func (s recordService) RetractSection(ctx context.Context, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	return answer(ctx, req, s.book.RetractSection)
}

func (s recordService) RetractCase(ctx context.Context, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	return answer(ctx, req, s.book.RetractCase)
}

func (s recordService) AmendIdentity(ctx context.Context, req *trigonev1.AmendIdentityRequest) (*trigonev1.AmendIdentityResponse, error) {
	return answer(ctx, req, s.book.AmendIdentity)
}

func (s recordService) ConfirmFinding(ctx context.Context, req *trigonev1.ConfirmFindingRequest) (*trigonev1.ConfirmFindingResponse, error) {
	return answer(ctx, req, s.book.ConfirmFinding)
}

func (s recordService) RevokeConfirmation(ctx context.Context, req *trigonev1.RevokeConfirmationRequest) (*trigonev1.RevokeConfirmationResponse, error) {
	return answer(ctx, req, s.book.RevokeConfirmation)
}

func (s recordService) EvaluateAgain(ctx context.Context, req *trigonev1.EvaluateAgainRequest) (*trigonev1.EvaluateAgainResponse, error) {
	return answer(ctx, req, s.book.EvaluateAgain)
}

type planningService struct {
	trigonev1.UnimplementedPlanningServiceServer
	book *casebook.Book
}

func (s planningService) EvaluatePlan(ctx context.Context, req *trigonev1.EvaluatePlanRequest) (*trigonev1.EvaluatePlanResponse, error) {
	return answer(ctx, req, s.book.EvaluatePlan)
}

func (s planningService) ExplorePlans(req *trigonev1.ExplorePlansRequest, out grpc.ServerStreamingServer[trigonev1.ExplorePlansResponse]) error {
	return stream(req, out, s.book.ExplorePlans)
}

type electronicRecordService struct {
	trigonev1.UnimplementedElectronicRecordServiceServer
	book *casebook.Book
	desk *handover.Desk
}

func (s electronicRecordService) SignOperativeNote(ctx context.Context, req *trigonev1.SignOperativeNoteRequest) (*trigonev1.SignOperativeNoteResponse, error) {
	return answer(ctx, req, s.book.SignOperativeNote)
}

func (s electronicRecordService) GetBundle(ctx context.Context, req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
	return answer(ctx, req, s.desk.GetBundle)
}

func (s electronicRecordService) GetOperativeNote(ctx context.Context, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	return answer(ctx, req, s.desk.GetOperativeNote)
}

type auditService struct {
	trigonev1.UnimplementedAuditServiceServer
	ledger *ledger.Ledger
}

func (s auditService) ListDiscrepancies(ctx context.Context, req *trigonev1.ListDiscrepanciesRequest) (*trigonev1.ListDiscrepanciesResponse, error) {
	return answer(ctx, req, s.ledger.ListDiscrepancies)
}

func (s auditService) ListComparisons(ctx context.Context, req *trigonev1.ListComparisonsRequest) (*trigonev1.ListComparisonsResponse, error) {
	return answer(ctx, req, s.ledger.ListComparisons)
}

func (s auditService) ListCaseFacts(ctx context.Context, req *trigonev1.ListCaseFactsRequest) (*trigonev1.ListCaseFactsResponse, error) {
	return answer(ctx, req, s.ledger.ListCaseFacts)
}

func (s auditService) ListAccesses(ctx context.Context, req *trigonev1.ListAccessesRequest) (*trigonev1.ListAccessesResponse, error) {
	return answer(ctx, req, s.ledger.ListAccesses)
}

type referenceService struct {
	trigonev1.UnimplementedReferenceServiceServer
	book *casebook.Book
}

func (s referenceService) ListMetrics(_ context.Context, req *trigonev1.ListMetricsRequest) (*trigonev1.ListMetricsResponse, error) {
	return convert.MetricDefinitions(req.GetIncludeLeaves()), nil
}

func (s referenceService) ListRules(context.Context, *trigonev1.ListRulesRequest) (*trigonev1.ListRulesResponse, error) {
	return convert.RuleDefinitions(s.book.Policy.Settings, s.book.Policy.Rules), nil
}

func (s referenceService) ListSources(context.Context, *trigonev1.ListSourcesRequest) (*trigonev1.ListSourcesResponse, error) {
	return convert.Sources(), nil
}

func (s referenceService) GetPolicy(ctx context.Context, req *trigonev1.GetPolicyRequest) (*trigonev1.GetPolicyResponse, error) {
	return answer(ctx, req, s.book.GetPolicy)
}
