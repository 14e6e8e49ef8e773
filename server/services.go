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

// localCaller is the caller's name until identities exist.
const localCaller = "local"

type recordService struct {
	trigonev1.UnimplementedRecordServiceServer
	book *casebook.Book
}

func (s recordService) SubmitCase(ctx context.Context, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	return s.book.SubmitCase(ctx, localCaller, req)
}

func (s recordService) GetCase(ctx context.Context, req *trigonev1.GetCaseRequest) (*trigonev1.GetCaseResponse, error) {
	return s.book.GetCase(ctx, req)
}

func (s recordService) ListCases(ctx context.Context, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	return s.book.ListCases(ctx, req)
}

func (s recordService) ListRevisions(ctx context.Context, req *trigonev1.ListRevisionsRequest) (*trigonev1.ListRevisionsResponse, error) {
	return s.book.ListRevisions(ctx, req)
}

func (s recordService) ListChanges(ctx context.Context, req *trigonev1.ListChangesRequest) (*trigonev1.ListChangesResponse, error) {
	return s.book.ListChanges(ctx, req)
}

func (s recordService) FileQuarantined(ctx context.Context, req *trigonev1.FileQuarantinedRequest) (*trigonev1.FileQuarantinedResponse, error) {
	return s.book.FileQuarantined(ctx, localCaller, req)
}

func (s recordService) RetractSection(ctx context.Context, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	return s.book.RetractSection(ctx, localCaller, req)
}

func (s recordService) RetractCase(ctx context.Context, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	return s.book.RetractCase(ctx, localCaller, req)
}

func (s recordService) AmendIdentity(ctx context.Context, req *trigonev1.AmendIdentityRequest) (*trigonev1.AmendIdentityResponse, error) {
	return s.book.AmendIdentity(ctx, localCaller, req)
}

func (s recordService) ConfirmFinding(ctx context.Context, req *trigonev1.ConfirmFindingRequest) (*trigonev1.ConfirmFindingResponse, error) {
	return s.book.ConfirmFinding(ctx, localCaller, req)
}

func (s recordService) RevokeConfirmation(ctx context.Context, req *trigonev1.RevokeConfirmationRequest) (*trigonev1.RevokeConfirmationResponse, error) {
	return s.book.RevokeConfirmation(ctx, localCaller, req)
}

func (s recordService) EvaluateAgain(ctx context.Context, req *trigonev1.EvaluateAgainRequest) (*trigonev1.EvaluateAgainResponse, error) {
	return s.book.EvaluateAgain(ctx, req)
}

type planningService struct {
	trigonev1.UnimplementedPlanningServiceServer
	book *casebook.Book
}

func (s planningService) EvaluatePlan(ctx context.Context, req *trigonev1.EvaluatePlanRequest) (*trigonev1.EvaluatePlanResponse, error) {
	return s.book.EvaluatePlan(ctx, localCaller, req)
}

func (s planningService) ExplorePlans(req *trigonev1.ExplorePlansRequest, stream grpc.ServerStreamingServer[trigonev1.ExplorePlansResponse]) error {
	return s.book.ExplorePlans(stream.Context(), req, stream.Send)
}

type electronicRecordService struct {
	trigonev1.UnimplementedElectronicRecordServiceServer
	desk *handover.Desk
}

func (s electronicRecordService) GetBundle(ctx context.Context, req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
	return s.desk.GetBundle(ctx, req)
}

func (s electronicRecordService) GetOperativeNote(ctx context.Context, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	return s.desk.GetOperativeNote(ctx, req)
}

type auditService struct {
	trigonev1.UnimplementedAuditServiceServer
	ledger *ledger.Ledger
}

func (s auditService) ListDiscrepancies(ctx context.Context, req *trigonev1.ListDiscrepanciesRequest) (*trigonev1.ListDiscrepanciesResponse, error) {
	return s.ledger.ListDiscrepancies(ctx, req)
}

type referenceService struct {
	trigonev1.UnimplementedReferenceServiceServer
	book *casebook.Book
}

func (s referenceService) ListMetrics(_ context.Context, req *trigonev1.ListMetricsRequest) (*trigonev1.ListMetricsResponse, error) {
	return convert.MetricDefinitions(req.GetIncludeLeaves()), nil
}

func (s referenceService) ListRules(context.Context, *trigonev1.ListRulesRequest) (*trigonev1.ListRulesResponse, error) {
	return convert.RuleDefinitions(s.book.Policy.Settings), nil
}

func (s referenceService) ListSources(context.Context, *trigonev1.ListSourcesRequest) (*trigonev1.ListSourcesResponse, error) {
	return convert.Sources(), nil
}

func (s referenceService) GetPolicy(ctx context.Context, req *trigonev1.GetPolicyRequest) (*trigonev1.GetPolicyResponse, error) {
	return s.book.GetPolicy(ctx, req)
}
