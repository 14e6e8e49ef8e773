// Package demo plays an invented hospital year against a real server: it submits
// the cases of testdata section by section as they would arrive, with the slips,
// corrections and retractions of daily life, reads everything back, prints what
// the service says and writes it to a folder. It knows the contract and nothing
// of the rooms behind it; the caller starts the server.
package demo

import (
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

	"trigone/internal/convert"
	"trigone/internal/private"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
	"trigone/testdata"
)

// StoreName is the file of the store in the folder.
const StoreName = "demo.db"

// PolicyName is the file of the policy in the folder, where the demo brings its
// own.
const PolicyName = "policy.yaml"

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
	// Policy is the site's clinical policy; empty: the demo's own, which it writes
	// to the folder.
	Policy string
	// Start starts a server on a new store under a policy; now gives the time of
	// the story, for a server that can be told the time.
	Start func(ctx context.Context, store, policy string, now func() time.Time) (Server, error)
	// Draw makes the drawings of a case on record; nil: there are none.
	Draw func(ctx context.Context, record trigonev1.RecordServiceClient, c *trigonev1.Case) ([]Picture, error)
	// played is told what was played, for tests.
	played func([]played)
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
	policy := o.Policy
	if policy == "" {
		policy = filepath.Join(o.Dir, PolicyName)
		if err := private.Write(policy, testdata.DemoPolicy); err != nil {
			return err
		}
	}
	clock := &clock{}
	clock.set(time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC))
	server, err := o.Start(ctx, store, policy, clock.now)
	if err != nil {
		return fmt.Errorf("start the server: %w", err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
		defer cancel()
		err = errors.Join(err, server.Stop(ctx))
	}()
	fmt.Fprintf(o.Out, "serving gRPC on %s, store %s, policy %s\n", server.Addr, store, policy)
	conn, err := grpc.NewClient(server.Addr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessageBytes)))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	p := player{
		clock: clock, out: o.Out, dir: o.Dir, pictures: o.Draw, next: NextSteps(o.Dir, policy),
		record: trigonev1.NewRecordServiceClient(conn), planning: trigonev1.NewPlanningServiceClient(conn),
		fhir: trigonev1.NewElectronicRecordServiceClient(conn), audit: trigonev1.NewAuditServiceClient(conn),
	}
	cases, err := p.run(ctx)
	if err == nil && o.played != nil {
		o.played(cases)
	}
	return err
}

// prepare makes the folder and clears the store of an earlier demo, if that was
// asked for.
func prepare(o Options) (string, error) {
	for _, d := range []string{"cases", "bundles", "notes", "drawings"} {
		if err := private.Folder(filepath.Join(o.Dir, d)); err != nil {
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
	pictures func(context.Context, trigonev1.RecordServiceClient, *trigonev1.Case) ([]Picture, error)
	next     []NextStep
	record   trigonev1.RecordServiceClient
	planning trigonev1.PlanningServiceClient
	fhir     trigonev1.ElectronicRecordServiceClient
	audit    trigonev1.AuditServiceClient
}

// played is a case and how far its story has come.
type played struct {
	story   story
	whole   *trigonev1.CaseFile
	name    string // sites/{site}/cases/{uid}
	number  string // the hospital's
	stored  *trigonev1.Case
	submits int // calls that sent sections
	said    []string
	answer  *trigonev1.SubmitCaseResponse
	// passing are the rules that a submit broke on the way, whatever became of it.
	passing []string
}

// event is one step of one story.
type event struct {
	at   time.Time
	of   *played
	step int
}

// calendar gives every step of every story in the order of time: a hospital works
// on several cases at once.
func calendar() ([]*played, []event, error) {
	var cases []*played
	var events []event
	for _, s := range script {
		whole, err := testdata.Read(testdata.Cases, s.name)
		if err != nil {
			return nil, nil, err
		}
		c := &played{story: s, whole: whole, number: whole.GetExternalIdentifier().GetValue()}
		cases = append(cases, c)
		for i, step := range s.steps {
			events = append(events, event{step.at(whole), c, i})
		}
	}
	slices.SortStableFunc(events, func(a, b event) int { return a.at.Compare(b.at) })
	return cases, events, nil
}

func (p *player) run(ctx context.Context) ([]played, error) {
	list, events, err := calendar()
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		p.clock.set(e.at)
		if err := p.step(ctx, e); err != nil {
			return nil, fmt.Errorf("case %s, step %d: %w", e.of.story.name, e.step+1, err)
		}
	}
	var cases []played
	for _, c := range list {
		got, err := p.record.GetCase(ctx, &trigonev1.GetCaseRequest{Case: &trigonev1.CaseReference{Name: c.name}})
		if err != nil {
			return nil, fmt.Errorf("read %s back: %w", c.number, err)
		}
		c.stored = got.GetCase()
		p.line(*c)
		cases = append(cases, *c)
	}
	written, err := p.write(ctx, cases)
	if err != nil {
		return nil, err
	}
	if err := p.show(ctx, cases); err != nil {
		return nil, err
	}
	found, counts, err := p.discrepancies(ctx)
	if err != nil {
		return nil, err
	}
	var evaluations []*trigonev1.Evaluation
	for _, c := range cases {
		if c.stored.GetState() != trigonev1.CaseState_CASE_STATE_RETRACTED {
			evaluations = append(evaluations, c.stored.GetEvaluation())
		}
	}
	fmt.Fprintf(p.out, "\nWHAT WAS COMPARED\n\n")
	render.ComparedByKind(p.out, evaluations)
	fmt.Fprintf(p.out, "\nDISCREPANCIES OF ALL CASES\n\n")
	render.Discrepancies(p.out, found, counts)
	tables, err := p.tables(ctx, found)
	if err != nil {
		return nil, err
	}
	if err := p.index(ctx, cases, tables); err != nil {
		return nil, err
	}
	fmt.Fprintf(p.out, "\nWritten to %s:\n%d case files in cases, %d operative notes in notes, %d FHIR bundles in bundles, drawings,\ndiscrepancies.csv (%d lines), comparisons.csv (%d lines), %s, and %s, which opens them all\n",
		p.dir, written.cases, written.notes, written.bundles, tables[0].Lines, tables[1].Lines, StoreName, IndexName)
	fmt.Fprintln(p.out, "\nWhat to do next:")
	for _, n := range p.next {
		fmt.Fprintf(p.out, "\n  %s\n    %s\n", n.Why, n.Command)
	}
	fmt.Fprintln(p.out, "\nInvented data. Decision support for qualified staff, not a medical device.")
	return cases, nil
}

// step makes one call and keeps what is to be said of it.
func (p *player) step(ctx context.Context, e event) error {
	c, step := e.of, e.of.story.steps[e.step]
	ref := &trigonev1.CaseReference{Name: c.name}
	said, err := "", error(nil)
	switch step.do {
	case send:
		c.answer, err = p.send(ctx, c.story.name, e.step, step, e.at)
		c.submits++
		if name := c.answer.GetCaseName(); name != "" {
			c.name = name
		}
		for _, f := range c.answer.GetEvaluation().GetFindings() {
			c.passing = append(c.passing, f.GetRule())
		}
		said = outcome(c.answer)
	case discardQuarantined:
		err = p.discard(ctx, c.answer.GetQuarantineId(), step)
	case retractSection:
		err = p.retract(ctx, c.name, step)
	case retractCase:
		_, err = p.record.RetractCase(ctx, &trigonev1.RetractCaseRequest{
			Case: ref, CaseVersion: c.answer.GetCaseVersion(),
			Reason: trigonev1.RetractionReason_RETRACTION_REASON_DUPLICATE, ReasonText: step.reason,
		})
	case askInTheatre:
		said, err = p.ask(ctx, ref, c.whole, e.at)
	case confirm:
		said, err = p.confirm(ctx, ref, step)
	case revoke:
		err = p.revoke(ctx, ref, step)
	case evaluateAgain:
		said, err = p.again(ctx, ref)
	case explore:
		said, err = p.explore(ctx, ref, step)
	}
	if step.says != "" {
		if said != "" {
			said = ": " + said
		}
		c.said = append(c.said, step.says+said)
	}
	return err
}

func outcome(answer *trigonev1.SubmitCaseResponse) string {
	if answer.GetQuarantineId() != "" {
		return "quarantined"
	}
	disputed := 0
	for _, r := range answer.GetSections() {
		if r.GetState() == trigonev1.SectionState_SECTION_STATE_DISPUTED {
			disputed++
		}
	}
	if disputed > 0 {
		return "stored, some values disputed"
	}
	return ""
}

// columns of the progress: number, title, calls, counts.
const columns = "%-11s  %-52s  %5v  %14v  %8v  %5v  %11v\n"

func (p *player) line(done played) {
	if chapter := chapters[done.story.name]; chapter != "" {
		fmt.Fprintf(p.out, "\n%s\n\n", strings.ToUpper(chapter))
		fmt.Fprintf(p.out, columns, "Case", "What happens", "Sent", "Contradictions", "Cautions", "Notes", "Differences")
	}
	evaluation := done.stored.GetEvaluation()
	if done.stored.GetState() == trigonev1.CaseState_CASE_STATE_RETRACTED {
		fmt.Fprintln(p.out, strings.TrimRight(fmt.Sprintf(columns, done.number, done.story.title, done.submits, "retracted", "", "", ""), " \n"))
	} else {
		n := render.Count(evaluation)
		fmt.Fprintf(p.out, columns, done.number, done.story.title, done.submits, n.Contradictions, n.Cautions, n.Notes, n.Differences)
	}
	for _, s := range done.said {
		p.under(s)
	}
	for _, r := range shows[done.story.name] {
		if text := r.told(done.stored); text != "" {
			p.under(text)
		}
	}
	for _, s := range done.stored.GetCaseFile().GetOperation().GetSteps() {
		for _, id := range s.GetAdviceIds() {
			for _, asked := range done.stored.GetCaseFile().GetAdvice() {
				if asked.GetId() == id {
					p.under("step " + s.GetId() + " cites the question " + id + ": " + convert.FollowedAnswer(done.stored.GetCaseFile().GetOperation(), s, asked).Sentence())
				}
			}
		}
	}
	for _, c := range done.stored.GetConfirmations() {
		p.under("confirmation of " + c.GetRule() + ": " + render.Word(c.GetState()))
	}
}

func (p *player) under(text string) {
	render.Paragraph(p.out, strings.Repeat(" ", 13)+"- ", strings.Repeat(" ", 15), text)
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

type written struct{ cases, bundles, notes int }

// write reads every case back and writes case file, operative note and bundle; a
// retracted case has only the last.
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
			note, err := p.fhir.GetOperativeNote(ctx, &trigonev1.GetOperativeNoteRequest{
				Case: &trigonev1.CaseReference{Name: c.name}, Format: trigonev1.NoteFormat_NOTE_FORMAT_HTML,
			})
			if err != nil {
				return n, fmt.Errorf("note of %s: %w", c.number, err)
			}
			if err := p.save(filepath.Join("notes", c.number+".html"), note.GetContent()); err != nil {
				return n, err
			}
			n.notes++
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
	return private.Write(filepath.Join(p.dir, name), content)
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
	request := &trigonev1.ListDiscrepanciesRequest{IncludeCounts: true}
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
