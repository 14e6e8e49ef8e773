package server

import (
	"cmp"
	"context"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	"trigone/internal/casebook"
	"trigone/internal/convert"
	"trigone/internal/storage"
	trigonev1 "trigone/proto/trigone/v1"
)

// answer hands a call to the room that answers it, with who asks.
func answer[Q, R any](ctx context.Context, req Q, room func(context.Context, casebook.Principal, Q) (R, error)) (R, error) {
	return room(ctx, casebook.PrincipalOf(ctx), req)
}

// stream does the same for a call that is answered many times.
func stream[Q, R any](req Q, out grpc.ServerStreamingServer[R], room func(context.Context, casebook.Principal, Q, func(*R) error) error) error {
	ctx := out.Context()
	return room(ctx, casebook.PrincipalOf(ctx), req, func(r *R) error {
		// That nobody waits any more is no fault of the program.
		if err := out.Send(r); err != nil {
			return cmp.Or(ctx.Err(), err)
		}
		return nil
	})
}

type recordService struct {
	trigonev1.UnimplementedRecordServiceServer
}

func (recordService) SubmitCase(ctx context.Context, req *trigonev1.SubmitCaseRequest) (*trigonev1.SubmitCaseResponse, error) {
	return answer(ctx, req, of(ctx).book.SubmitCase)
}

func (recordService) GetCase(ctx context.Context, req *trigonev1.GetCaseRequest) (*trigonev1.GetCaseResponse, error) {
	return answer(ctx, req, of(ctx).book.GetCase)
}

func (recordService) GetCaseInEmergency(ctx context.Context, req *trigonev1.GetCaseInEmergencyRequest) (*trigonev1.GetCaseInEmergencyResponse, error) {
	return answer(ctx, req, of(ctx).book.GetCaseInEmergency)
}

func (recordService) ListCases(ctx context.Context, req *trigonev1.ListCasesRequest) (*trigonev1.ListCasesResponse, error) {
	return answer(ctx, req, across(ctx).archives().ListCases)
}

func (recordService) ListRevisions(ctx context.Context, req *trigonev1.ListRevisionsRequest) (*trigonev1.ListRevisionsResponse, error) {
	return answer(ctx, req, of(ctx).book.ListRevisions)
}

func (recordService) ListChanges(ctx context.Context, req *trigonev1.ListChangesRequest) (*trigonev1.ListChangesResponse, error) {
	return answer(ctx, req, of(ctx).book.ListChanges)
}

func (recordService) ListQuarantined(ctx context.Context, req *trigonev1.ListQuarantinedRequest) (*trigonev1.ListQuarantinedResponse, error) {
	return answer(ctx, req, of(ctx).book.ListQuarantined)
}

func (recordService) GetQuarantined(ctx context.Context, req *trigonev1.GetQuarantinedRequest) (*trigonev1.GetQuarantinedResponse, error) {
	return answer(ctx, req, of(ctx).book.GetQuarantined)
}

func (recordService) FileQuarantined(ctx context.Context, req *trigonev1.FileQuarantinedRequest) (*trigonev1.FileQuarantinedResponse, error) {
	return answer(ctx, req, of(ctx).book.FileQuarantined)
}

func (recordService) RetractSection(ctx context.Context, req *trigonev1.RetractSectionRequest) (*trigonev1.RetractSectionResponse, error) {
	return answer(ctx, req, of(ctx).book.RetractSection)
}

func (recordService) RetractCase(ctx context.Context, req *trigonev1.RetractCaseRequest) (*trigonev1.RetractCaseResponse, error) {
	return answer(ctx, req, of(ctx).book.RetractCase)
}

func (recordService) AmendIdentity(ctx context.Context, req *trigonev1.AmendIdentityRequest) (*trigonev1.AmendIdentityResponse, error) {
	return answer(ctx, req, of(ctx).book.AmendIdentity)
}

func (recordService) ConfirmFinding(ctx context.Context, req *trigonev1.ConfirmFindingRequest) (*trigonev1.ConfirmFindingResponse, error) {
	return answer(ctx, req, of(ctx).book.ConfirmFinding)
}

func (recordService) RevokeConfirmation(ctx context.Context, req *trigonev1.RevokeConfirmationRequest) (*trigonev1.RevokeConfirmationResponse, error) {
	return answer(ctx, req, of(ctx).book.RevokeConfirmation)
}

func (recordService) EvaluateAgain(ctx context.Context, req *trigonev1.EvaluateAgainRequest) (*trigonev1.EvaluateAgainResponse, error) {
	return answer(ctx, req, of(ctx).book.EvaluateAgain)
}

type planningService struct {
	trigonev1.UnimplementedPlanningServiceServer
}

func (planningService) EvaluatePlan(ctx context.Context, req *trigonev1.EvaluatePlanRequest) (*trigonev1.EvaluatePlanResponse, error) {
	return answer(ctx, req, of(ctx).book.EvaluatePlan)
}

func (planningService) ExplorePlans(req *trigonev1.ExplorePlansRequest, out grpc.ServerStreamingServer[trigonev1.ExplorePlansResponse]) error {
	return stream(req, out, of(out.Context()).book.ExplorePlans)
}

type electronicRecordService struct {
	trigonev1.UnimplementedElectronicRecordServiceServer
}

func (electronicRecordService) SignOperativeNote(ctx context.Context, req *trigonev1.SignOperativeNoteRequest) (*trigonev1.SignOperativeNoteResponse, error) {
	return answer(ctx, req, of(ctx).book.SignOperativeNote)
}

func (electronicRecordService) GetBundle(ctx context.Context, req *trigonev1.GetBundleRequest) (*trigonev1.GetBundleResponse, error) {
	return answer(ctx, req, of(ctx).desk.GetBundle)
}

func (electronicRecordService) GetOperativeNote(ctx context.Context, req *trigonev1.GetOperativeNoteRequest) (*trigonev1.GetOperativeNoteResponse, error) {
	return answer(ctx, req, of(ctx).desk.GetOperativeNote)
}

type auditService struct {
	trigonev1.UnimplementedAuditServiceServer
}

func (auditService) ListDiscrepancies(ctx context.Context, req *trigonev1.ListDiscrepanciesRequest) (*trigonev1.ListDiscrepanciesResponse, error) {
	return answer(ctx, req, across(ctx).ledger().ListDiscrepancies)
}

func (auditService) ListComparisons(ctx context.Context, req *trigonev1.ListComparisonsRequest) (*trigonev1.ListComparisonsResponse, error) {
	return answer(ctx, req, across(ctx).ledger().ListComparisons)
}

func (auditService) ListCaseFacts(ctx context.Context, req *trigonev1.ListCaseFactsRequest) (*trigonev1.ListCaseFactsResponse, error) {
	return answer(ctx, req, across(ctx).ledger().ListCaseFacts)
}

func (auditService) CalibratePrediction(ctx context.Context, req *trigonev1.CalibratePredictionRequest) (*trigonev1.CalibratePredictionResponse, error) {
	return answer(ctx, req, across(ctx).ledger().CalibratePrediction)
}

func (auditService) SummarizeAgreement(ctx context.Context, req *trigonev1.SummarizeAgreementRequest) (*trigonev1.SummarizeAgreementResponse, error) {
	return answer(ctx, req, across(ctx).ledger().SummarizeAgreement)
}

func (auditService) MonitorOutcomes(ctx context.Context, req *trigonev1.MonitorOutcomesRequest) (*trigonev1.MonitorOutcomesResponse, error) {
	return answer(ctx, req, across(ctx).ledger().MonitorOutcomes)
}

func (auditService) SubmitTheatreCount(ctx context.Context, req *trigonev1.SubmitTheatreCountRequest) (*trigonev1.SubmitTheatreCountResponse, error) {
	return answer(ctx, req, of(ctx).book.SubmitTheatreCount)
}

func (auditService) ListGaps(ctx context.Context, req *trigonev1.ListGapsRequest) (*trigonev1.ListGapsResponse, error) {
	return answer(ctx, req, across(ctx).ledger().ListGaps)
}

func (auditService) EstimateFreedom(ctx context.Context, req *trigonev1.EstimateFreedomRequest) (*trigonev1.EstimateFreedomResponse, error) {
	return answer(ctx, req, across(ctx).ledger().EstimateFreedom)
}

func (auditService) SummarizeOutcomes(ctx context.Context, req *trigonev1.SummarizeOutcomesRequest) (*trigonev1.SummarizeOutcomesResponse, error) {
	return answer(ctx, req, across(ctx).ledger().SummarizeOutcomes)
}

func (auditService) SummarizeLedger(ctx context.Context, req *trigonev1.SummarizeLedgerRequest) (*trigonev1.SummarizeLedgerResponse, error) {
	return answer(ctx, req, across(ctx).ledger().SummarizeLedger)
}

func (auditService) FindImplants(ctx context.Context, req *trigonev1.FindImplantsRequest) (*trigonev1.FindImplantsResponse, error) {
	return answer(ctx, req, across(ctx).ledger().FindImplants)
}

func (auditService) ListAccesses(ctx context.Context, req *trigonev1.ListAccessesRequest) (*trigonev1.ListAccessesResponse, error) {
	return answer(ctx, req, across(ctx).ledger().ListAccesses)
}

func (auditService) SignOffAccess(ctx context.Context, req *trigonev1.SignOffAccessRequest) (*trigonev1.SignOffAccessResponse, error) {
	return answer(ctx, req, across(ctx).ledger().SignOffAccess)
}

type administrationService struct {
	trigonev1.UnimplementedAdministrationServiceServer
	erasures *erasures
	keep     func() casebook.Keep
	log      *zap.Logger
}

func (s administrationService) RunRetention(ctx context.Context, req *trigonev1.RunRetentionRequest) (*trigonev1.RunRetentionResponse, error) {
	resp, err := answer(ctx, req, func(ctx context.Context, who casebook.Principal, req *trigonev1.RunRetentionRequest) (*trigonev1.RunRetentionResponse, error) {
		return of(ctx).book.RunRetention(ctx, who, req, s.keep())
	})
	if err != nil || req.GetValidateOnly() {
		return resp, err
	}
	for _, o := range resp.GetOutcomes() {
		if o.GetCount() > 0 {
			s.log.Info("removed for its age", zap.String("what", convert.Word(o.GetKind())), zap.Int64("count", o.GetCount()), zap.Time("before", o.GetBefore().AsTime()),
				zap.String("site", of(ctx).site), zap.String("caller", callerName(ctx)), zap.Bool("overwritten", resp.GetOverwritten()))
		}
	}
	return resp, nil
}

func (s administrationService) EraseIdentity(ctx context.Context, req *trigonev1.EraseIdentityRequest) (*trigonev1.EraseIdentityResponse, error) {
	resp, err := answer(ctx, req, of(ctx).book.EraseIdentity)
	if err != nil || req.GetValidateOnly() {
		return resp, err
	}
	return resp, s.listed(ctx, resp.GetCaseName(), storage.EraseIdentity)
}

func (s administrationService) EraseCase(ctx context.Context, req *trigonev1.EraseCaseRequest) (*trigonev1.EraseCaseResponse, error) {
	resp, err := answer(ctx, req, of(ctx).book.EraseCase)
	if err != nil || req.GetValidateOnly() {
		return resp, err
	}
	return resp, s.listed(ctx, resp.GetCaseName(), storage.EraseWhole)
}

// listed puts an erasure on the list that a restored backup is held against.
func (s administrationService) listed(ctx context.Context, name string, what storage.Erasure) error {
	uid := name[strings.LastIndexByte(name, '/')+1:]
	err := s.erasures.add(of(ctx).site, uid, what)
	if err == nil {
		return nil
	}
	s.log.Error("AN ERASURE IS NOT ON THE LIST OF ERASURES: a restored backup would bring it back", zap.String("case", uid), zap.String("what", string(what)), zap.Error(err))
	return &casebook.Error{Kind: casebook.Unavailable, Reason: reasonNotListed, RetryAfter: time.Minute, Message: notListed}
}

// What is told of an erasure that was made and is not listed.
const (
	reasonNotListed = "ERASURE_NOT_LISTED"
	notListed       = "the erasure was made, but the list of erasures beside the store cannot be written, so that a backup restored with it would bring back what was erased: " +
		"have the file put right, as the log of the service says, and send the same request again with the same request_id; without one, read the version of the case and erase once more"
)

type referenceService struct {
	trigonev1.UnimplementedReferenceServiceServer
}

func (referenceService) ListMetrics(_ context.Context, req *trigonev1.ListMetricsRequest) (*trigonev1.ListMetricsResponse, error) {
	return convert.MetricDefinitions(req.GetIncludeLeaves()), nil
}

func (referenceService) ListRules(ctx context.Context, req *trigonev1.ListRulesRequest) (*trigonev1.ListRulesResponse, error) {
	if _, err := of(ctx).book.Admit(casebook.PrincipalOf(ctx), req); err != nil {
		return nil, err
	}
	return convert.RuleDefinitions(of(ctx).policy.Settings, of(ctx).policy.Rules), nil
}

func (referenceService) ListSources(context.Context, *trigonev1.ListSourcesRequest) (*trigonev1.ListSourcesResponse, error) {
	return convert.Sources(), nil
}

func (referenceService) GetPolicy(ctx context.Context, req *trigonev1.GetPolicyRequest) (*trigonev1.GetPolicyResponse, error) {
	return answer(ctx, req, of(ctx).book.GetPolicy)
}
