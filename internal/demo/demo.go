// Package demo plays an invented hospital year against a real server: it submits
// the cases of testdata section by section as they would arrive, with the slips,
// corrections and retractions of daily life, reads everything back, prints what
// the service says and writes it to a folder. It knows the contract and nothing
// of the rooms behind it; the caller starts the server.
package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/timestamppb"

	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// StoreName is the file of the store in the folder.
const StoreName = "demo.db"

// maxMessageBytes bounds one answer; a bundle of a long history is large.
const maxMessageBytes = 64 << 20

// stopTime is how long running calls may take at the end.
const stopTime = 10 * time.Second

// Server is a running server.
type Server struct {
	Addr string
	Stop func(context.Context) error
}

// Options say how the demo runs.
type Options struct {
	// Dir takes everything it writes; it is made if it is not there.
	Dir string
	// Force replaces a store of an earlier demo.
	Force bool
	// Out takes the progress and what is shown.
	Out io.Writer
	// Start starts a server on a new store; now gives the time of the story, for
	// a server that can be told the time.
	Start func(ctx context.Context, store string, now func() time.Time) (Server, error)
}

// ErrStoreExists says that the folder holds the store of an earlier demo.
var ErrStoreExists = errors.New("a store of an earlier demo is there")

// Run plays the demo.
func Run(ctx context.Context, o Options) (err error) {
	fmt.Fprintln(o.Out, "starting: every hospital, patient, value and date of this demo is invented data")
	store, err := prepare(o)
	if err != nil {
		return err
	}
	clock := &clock{}
	clock.set(time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC))
	server, err := o.Start(ctx, store, clock.now)
	if err != nil {
		return fmt.Errorf("start the server: %w", err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
		defer cancel()
		err = errors.Join(err, server.Stop(ctx))
	}()
	fmt.Fprintf(o.Out, "serving gRPC on %s, store %s\n\n", server.Addr, store)
	conn, err := grpc.NewClient(server.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessageBytes)))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	p := player{
		clock: clock, out: o.Out, dir: o.Dir,
		record: trigonev1.NewRecordServiceClient(conn), planning: trigonev1.NewPlanningServiceClient(conn),
		fhir: trigonev1.NewElectronicRecordServiceClient(conn), audit: trigonev1.NewAuditServiceClient(conn),
	}
	return p.run(ctx)
}

// prepare makes the folder and clears the store of an earlier demo, if that was
// asked for.
func prepare(o Options) (string, error) {
	for _, d := range []string{"cases", "bundles"} {
		if err := os.MkdirAll(filepath.Join(o.Dir, d), 0o750); err != nil {
			return "", err
		}
	}
	store := filepath.Join(o.Dir, StoreName)
	_, err := os.Stat(store)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return store, nil
	case err != nil:
		return "", err
	case !o.Force:
		return "", fmt.Errorf("%w: %s; give --force to replace it, or another folder", ErrStoreExists, store)
	}
	for _, ending := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(store + ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return store, nil
}

// clock is the time of the story. The server reads it from its own goroutines.
type clock struct{ unix atomic.Int64 }

func (c *clock) set(t time.Time) { c.unix.Store(t.Unix()) }

func (c *clock) now() time.Time { return time.Unix(c.unix.Load(), 0).UTC() }

type player struct {
	clock    *clock
	out      io.Writer
	dir      string
	record   trigonev1.RecordServiceClient
	planning trigonev1.PlanningServiceClient
	fhir     trigonev1.ElectronicRecordServiceClient
	audit    trigonev1.AuditServiceClient
}

// played is a case after its story.
type played struct {
	story   story
	name    string // sites/{site}/cases/{uid}
	number  string // the hospital's
	stored  *trigonev1.Case
	submits int // calls that sent sections
}

func (p *player) run(ctx context.Context) error {
	fmt.Fprintf(p.out, columns, "Case", "What happens", "Sent", "Contradictions", "Cautions", "Notes", "Differences")
	var cases []played
	for _, s := range script {
		done, err := p.play(ctx, s)
		if err != nil {
			return fmt.Errorf("case %s: %w", s.name, err)
		}
		cases = append(cases, done)
	}
	written, err := p.write(ctx, cases)
	if err != nil {
		return err
	}
	if err := p.show(ctx, cases); err != nil {
		return err
	}
	list, counts, err := p.discrepancies(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "\nDISCREPANCIES OF ALL CASES\n\n")
	render.Discrepancies(p.out, list, counts)
	var table bytes.Buffer
	if err := render.DiscrepanciesCSV(&table, list); err != nil {
		return err
	}
	if err := p.save("discrepancies.csv", table.Bytes()); err != nil {
		return err
	}
	fmt.Fprintf(p.out, "\nWritten to %s: %d case files in cases, %d FHIR bundles in bundles, discrepancies.csv (%d lines), %s\n",
		p.dir, written.cases, written.bundles, len(list), StoreName)
	fmt.Fprintln(p.out, "Invented data. Decision support for qualified staff, not a medical device.")
	return nil
}

// play sends one story and prints a line for it.
func (p *player) play(ctx context.Context, s story) (played, error) {
	whole, err := testdata.Read(testdata.Cases, s.name)
	if err != nil {
		return played{}, err
	}
	done := played{story: s, number: whole.GetExternalIdentifier().GetValue()}
	var answer *trigonev1.SubmitCaseResponse
	var said []string
	for i, step := range s.steps {
		at := step.at(whole)
		p.clock.set(at)
		switch step.do {
		case send:
			answer, err = p.send(ctx, s.name, i, step, at)
			done.submits++
			if answer.GetCaseName() != "" {
				done.name = answer.GetCaseName()
			}
		case discardQuarantined:
			_, err = p.record.FileQuarantined(ctx, &trigonev1.FileQuarantinedRequest{
				QuarantineId: answer.GetQuarantineId(), Reason: step.reason,
				Decision: &trigonev1.FileQuarantinedRequest_Discard{Discard: true},
			})
		case retractSection:
			err = p.retract(ctx, done.name, step)
		case retractCase:
			_, err = p.record.RetractCase(ctx, &trigonev1.RetractCaseRequest{
				Case: &trigonev1.CaseReference{Name: done.name}, CaseVersion: answer.GetCaseVersion(),
				Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE, ReasonText: step.reason,
			})
		}
		if err != nil {
			return played{}, fmt.Errorf("step %d: %w", i+1, err)
		}
		if step.says != "" {
			said = append(said, step.says+outcome(answer, step))
		}
	}
	got, err := p.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: done.name}})
	if err != nil {
		return played{}, fmt.Errorf("read it back: %w", err)
	}
	done.stored = got.GetCase()
	p.line(done, said)
	return done, nil
}

func outcome(answer *trigonev1.SubmitCaseResponse, s step) string {
	if s.do != send {
		return ""
	}
	if answer.GetQuarantineId() != "" {
		return ": quarantined"
	}
	disputed := 0
	for _, r := range answer.GetSections() {
		if r.GetState() == trigonev1.SectionState_SECTION_STATE_DISPUTED {
			disputed++
		}
	}
	if disputed > 0 {
		return ": stored, some values disputed"
	}
	return ""
}

// columns of the progress: number, title, calls, counts.
const columns = "%-11s  %-52s  %5v  %14v  %8v  %5v  %11v\n"

func (p *player) line(done played, said []string) {
	if done.stored.GetState() == trigonev1.CaseState_CASE_STATE_RETRACTED {
		fmt.Fprintln(p.out, strings.TrimRight(fmt.Sprintf(columns, done.number, done.story.title, done.submits, "retracted", "", "", ""), " \n"))
	} else {
		n := render.Count(done.stored.GetEvaluation())
		fmt.Fprintf(p.out, columns, done.number, done.story.title, done.submits, n.Contradictions, n.Cautions, n.Notes, n.Differences)
	}
	for _, s := range said {
		fmt.Fprintf(p.out, "%-11s  - %s\n", "", s)
	}
}

func (p *player) send(ctx context.Context, name string, number int, s step, at time.Time) (*trigonev1.SubmitCaseResponse, error) {
	file, err := s.content(name)
	if err != nil {
		return nil, err
	}
	return p.record.SubmitCase(ctx, &trigonev1.SubmitCaseRequest{
		CaseFile: file, SourceTime: timestamppb.New(at), RequestId: fmt.Sprintf("demo-%s-%d", name, number+1),
	})
}

func (p *player) retract(ctx context.Context, name string, s step) error {
	ref := &trigonev1.CaseReference{Name: name}
	got, err := p.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: ref})
	if err != nil {
		return err
	}
	for _, status := range got.GetCase().GetSections() {
		if status.GetSection() != s.section {
			continue
		}
		_, err := p.record.RetractSection(ctx, &trigonev1.RetractSectionRequest{
			Case: ref, Section: s.section, Etag: status.GetEtag(),
			Reason: trigonev1.RetractionReason_RETRACTION_REASON_WRONG_CASE, ReasonText: s.reason,
		})
		return err
	}
	return fmt.Errorf("the case has no section %s", s.section)
}

type written struct{ cases, bundles int }

// write reads every case back and writes case file and bundle.
func (p *player) write(ctx context.Context, cases []played) (written, error) {
	var n written
	for _, c := range cases {
		if c.stored.GetState() != trigonev1.CaseState_CASE_STATE_RETRACTED {
			text, err := render.JSON(c.stored.GetCaseFile())
			if err != nil {
				return n, err
			}
			if err := p.save(filepath.Join("cases", c.number+".json"), text); err != nil {
				return n, err
			}
			n.cases++
		}
		got, err := p.fhir.GetBundle(ctx, &trigonev1.GetBundleRequest{Case: &trigonev1.CaseReference{Name: c.name}})
		if err != nil {
			return n, fmt.Errorf("bundle of %s: %w", c.number, err)
		}
		text, err := render.IndentJSON([]byte(got.GetBundle()))
		if err != nil {
			return n, fmt.Errorf("bundle of %s: %w", c.number, err)
		}
		if err := p.save(filepath.Join("bundles", c.number+".json"), text); err != nil {
			return n, err
		}
		n.bundles++
	}
	return n, nil
}

func (p *player) save(name string, content []byte) error {
	return os.WriteFile(filepath.Join(p.dir, name), content, 0o640)
}

// show prints one plan as it is evaluated before the operation, and the findings
// on the outcome of others.
func (p *player) show(ctx context.Context, cases []played) error {
	for _, c := range cases {
		if c.story.name != shownPlan {
			continue
		}
		whole := c.stored.GetCaseFile()
		got, err := p.planning.EvaluatePlan(ctx, &trigonev1.EvaluatePlanRequest{CaseFile: &trigonev1.CaseFile{
			Identity: whole.GetIdentity(), Assessments: whole.GetAssessments(), Plan: whole.GetPlan(),
		}})
		if err != nil {
			return fmt.Errorf("evaluate the plan of %s: %w", c.number, err)
		}
		fmt.Fprintf(p.out, "\nTHE PLAN OF %s, BEFORE THE OPERATION (invented)\n\n", c.number)
		render.Evaluation(p.out, got.GetEvaluation(), render.EvaluationOptions{})
	}
	for _, c := range cases {
		if slices.Contains(shownFindings, c.story.name) {
			fmt.Fprintf(p.out, "\nWHAT IS SAID OF %s, AFTER DISCHARGE (invented)\n", c.number)
			render.Findings(p.out, c.stored.GetEvaluation())
		}
	}
	return nil
}

// discrepancies reads every page.
func (p *player) discrepancies(ctx context.Context) ([]*trigonev1.CaseDiscrepancy, *trigonev1.DiscrepancyCounts, error) {
	var list []*trigonev1.CaseDiscrepancy
	var counts *trigonev1.DiscrepancyCounts
	request := &trigonev1.ListDiscrepanciesRequest{}
	for {
		page, err := p.audit.ListDiscrepancies(ctx, request)
		if err != nil {
			return nil, nil, fmt.Errorf("list the discrepancies: %w", err)
		}
		if counts == nil {
			counts = page.GetCounts()
		}
		list = append(list, page.GetDiscrepancies()...)
		if page.GetNextPageToken() == "" {
			return list, counts, nil
		}
		request.PageToken = page.GetNextPageToken()
	}
}
