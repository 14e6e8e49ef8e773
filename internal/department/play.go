package department

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"trigone/internal/invent"
	trigonev1 "trigone/proto/trigone/v1"
)

// stopTime is how long running calls may take at the end.
const stopTime = 10 * time.Second

// Server is a running server.
type Server struct {
	Addr string
	Stop func(context.Context) error
}

// Options say how a department is sent.
type Options struct {
	Department invent.Department
	// Start starts a server on the store; now gives the time of the story.
	Start func(ctx context.Context, now func() time.Time) (Server, error)
	// Progress is told how many letters of how many were sent; nil: nobody.
	Progress func(sent, all int)
}

// Sent is what was sent.
type Sent struct {
	Letters, Retracted, TheatreLists int
	// Answers has the last answer of each case that counts, by its number.
	Answers map[int]*trigonev1.SubmitCaseResponse
}

// ErrAlreadyThere says that the store holds this department.
var ErrAlreadyThere = errors.New("the store holds the cases of this seed already: give another --seed, or another store")

// Send sends a department to a server that is told the time of the story. A store of
// real cases refuses the first letter, and takes nothing.
func Send(ctx context.Context, o Options) (sent Sent, err error) {
	clock := &storyClock{}
	clock.set(o.Department.Served)
	server, err := o.Start(ctx, clock.now)
	if err != nil {
		return sent, fmt.Errorf("start the server: %w", err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
		defer cancel()
		err = errors.Join(err, server.Stop(ctx))
	}()
	conn, err := grpc.NewClient(server.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return sent, err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	record, audit := trigonev1.NewRecordServiceClient(conn), trigonev1.NewAuditServiceClient(conn)
	letters := Letters(o.Department)
	if len(letters) == 0 {
		return sent, nil
	}
	first := &trigonev1.CaseReference{ExternalIdentifier: letters[0].File.GetExternalIdentifier()}
	_, err = record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: first, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}})
	switch {
	case err == nil:
		return sent, ErrAlreadyThere
	case status.Code(err) != codes.NotFound:
		return sent, err
	}
	sent.Answers = map[int]*trigonev1.SubmitCaseResponse{}
	lists := theatreCounts(o.Department)
	for i, l := range letters {
		for len(lists) > 0 && !lists[0].at.After(l.At) {
			clock.set(lists[0].at)
			if _, err := audit.SubmitTheatreCount(ctx, &trigonev1.SubmitTheatreCountRequest{Count: lists[0].count}); err != nil {
				return sent, fmt.Errorf("the theatre list of %s: %w", lists[0].count.GetMonth(), err)
			}
			sent.TheatreLists++
			lists = lists[1:]
		}
		clock.set(l.At)
		if err := send(ctx, record, l, &sent); err != nil {
			return sent, fmt.Errorf("case %s, what arrived on %s: %w", o.Department.Name(l.Case), l.At.Format(time.DateOnly), err)
		}
		sent.Letters++
		if o.Progress != nil {
			o.Progress(i+1, len(letters))
		}
	}
	return sent, nil
}

func send(ctx context.Context, record trigonev1.RecordServiceClient, l Letter, sent *Sent) error {
	if first := sent.Answers[l.Case.Reoperation]; l.Case.Reoperation > 0 {
		for _, s := range []*trigonev1.CaseSetting{l.File.GetPlan().GetSetting(), l.File.GetOperation().GetSetting()} {
			if s != nil {
				s.PreviousCase = first.GetCaseName()
			}
		}
	}
	answer, err := record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{CaseFile: l.File, SourceTime: at(l.At)})
	if err != nil {
		return err
	}
	if answer.GetQuarantineId() != "" {
		return errors.New("it was set aside as that of another patient")
	}
	if !l.Retracts {
		sent.Answers[l.Case.Number] = answer
		return nil
	}
	sent.Retracted++
	_, err = record.RetractCase(ctx, &trigonev1.RetractCaseRequest{
		Case: &trigonev1.CaseReference{Name: answer.GetCaseName()}, CaseVersion: answer.GetCaseVersion(),
		Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE, ReasonText: "Opened twice. (Invented case.)",
	})
	return err
}

// storyClock is the time of the story. The server reads it from its own goroutines.
type storyClock struct{ unix atomic.Int64 }

func (c *storyClock) set(t time.Time) { c.unix.Store(t.Unix()) }

func (c *storyClock) now() time.Time { return time.Unix(c.unix.Load(), 0).UTC() }
