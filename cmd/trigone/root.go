package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"trigone/fhirmap"
	"trigone/internal/casefile"
	"trigone/internal/policy"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	defaultServer = "127.0.0.1:7430"
	// callTimeout bounds one call.
	callTimeout = 30 * time.Second
	// maxMessageBytes bounds one answer; a bundle of a long history is large.
	maxMessageBytes = 64 << 20
	// pageSize is what is asked for at a time.
	pageSize = 200
)

// Forms of output.
const (
	formatTable = "table"
	formatJSON  = "json"
	formatCSV   = "csv"
	formatHTML  = "html"
	formatFHIR  = "fhir"
)

// app holds the flags every command shares.
type app struct {
	server string
	format string
	policy string
	signing
	// sent says whether a request of the last call left this program.
	sent sending
}

// run is the whole program; it gives the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(render.Terminal(screen(stdout)))
	root.SetErr(stderr)
	return report(render.Terminal(stderr), root.ExecuteContext(ctx))
}

// screen gives a terminal with its width; anything else is as wide as paper.
func screen(w io.Writer) io.Writer {
	f, ok := w.(*os.File)
	if !ok {
		return w
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return w
	}
	return render.Screen{Writer: w, Width: width}
}

func newRoot() *cobra.Command {
	a := &app{}
	root := &cobra.Command{
		Use:   "trigone",
		Short: "Plans and outcomes of mitral valve repair: submit, evaluate, compare",
		Long: `trigone is the client of the trigone service, which keeps structured plans and
outcomes of mitral valve repairs, checks and evaluates them, compares outcome
with plan and answers them as FHIR resources.

Decision support for qualified staff, not a medical device. Clinical judgement,
local protocols and licensed practice come first.

FILE is a case file as YAML or JSON, or - for standard input. CASE is the name
of a case, sites/SITE/cases/UID, or its case number as SYSTEM|VALUE.
demo, generate, evaluate, template, example, schema, explain, explore, metrics, rules, check-policy, policy-schema and
terminology need no server, nor do draw and note of a FILE.

Exit codes` + exitCodesHelp(),
		Example: `  trigone demo --out /tmp/trigone-demo
  trigone evaluate case.json
  trigone explore case.json --axis p2=14:20:1 --axis ring=24:28:1
  trigone submit case.json --source-time 2026-03-02T15:10:00Z
  trigone get 'urn:example:harbour-hospital:case|MV-2026-001'
  trigone discrepancies --roots --format csv`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
				return usagef("there is no command %q; did you mean %s?", args[0], strings.Join(near, " or "))
			}
			return usagef("there is no command %q", args[0])
		},
		SuggestionsMinimumDistance: 2,
		RunE:                       func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	flags := root.PersistentFlags()
	flags.StringVar(&a.server, "server", defaultServer, "address of the server, host:port")
	a.flags(flags)
	flags.StringVar(&a.format, "format", formatTable, "form of the output: table or json; for lists and explore also csv, for rules and metrics also html, for note and sign text, html or pdf, for agreement also fhir")
	flags.StringVar(&a.policy, "policy", "", "the site's clinical policy, for commands that need no server (default: the built-in one); for submit and advise, by it times without a zone are read")
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddCommand(
		a.demoCommand(),
		a.generateCommand(),
		a.evaluateCommand(),
		a.templateCommand(),
		a.exampleCommand(),
		a.schemaCommand(),
		a.explainCommand(),
		a.exploreCommand(),
		a.submitCommand(),
		a.casesCommand(),
		a.getCommand(),
		a.revisionsCommand(),
		a.drawCommand(),
		a.bundleCommand(),
		a.noteCommand(),
		a.signCommand(),
		a.exportCommand(),
		a.adviseCommand(),
		a.quarantineCommand(),
		a.confirmCommand(),
		a.revokeCommand(),
		a.retractCommand(),
		a.amendIdentityCommand(),
		a.againCommand(),
		a.discrepanciesCommand(),
		a.comparisonsCommand(),
		a.factsCommand(),
		a.agreementCommand(),
		a.outcomesCommand(),
		a.calibrateCommand(),
		a.monitorCommand(),
		a.freedomCommand(),
		a.gapsCommand(),
		a.theatreCountCommand(),
		a.implantsCommand(),
		a.changesCommand(),
		a.accessCommand(),
		a.eraseCommand(),
		a.retentionCommand(),
		a.metricsCommand(),
		a.rulesCommand(),
		a.tableCommand(),
		a.ledgerCommand(),
		a.reportCommand(),
		a.checkPolicyCommand(),
		a.policySchemaCommand(),
		a.terminologyCommand(),
	)
	return root
}

// exactly asks for a number of arguments by name.
func exactly(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == len(names) {
			return nil
		}
		if len(names) == 0 {
			return usagef("%s takes no arguments", cmd.CommandPath())
		}
		return usagef("%s needs %s, and nothing else", cmd.CommandPath(), strings.Join(names, " "))
	}
}

// formats checks --format against what a command can print.
func (a *app) formats(allowed ...string) error {
	if slices.Contains(allowed, a.format) {
		return nil
	}
	return usagef("--format %s is not possible here; use %s", a.format, strings.Join(allowed, " or "))
}

// settings reads the policy.
func (a *app) settings() (policy.Policy, error) {
	if a.policy == "" {
		return policy.BuiltIn()
	}
	return policy.Load(a.policy, fhirmap.Terms{})
}

// services are the clients on one connection.
type services struct {
	planning       trigonev1.PlanningServiceClient
	record         trigonev1.RecordServiceClient
	fhir           trigonev1.ElectronicRecordServiceClient
	audit          trigonev1.AuditServiceClient
	administration trigonev1.AdministrationServiceClient
	reference      trigonev1.ReferenceServiceClient
}

// call runs a function with clients on the server and a deadline.
func (a *app) call(cmd *cobra.Command, do func(context.Context, services) error) error {
	return a.callWithin(cmd, callTimeout, do)
}

// callWithin is call with another deadline; 0: that of the server.
func (a *app) callWithin(cmd *cobra.Command, timeout time.Duration, do func(context.Context, services) error) (err error) {
	options, err := a.options(a.server)
	if err != nil {
		return err
	}
	conn, err := grpc.NewClient(a.server, append(options, grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessageBytes)), grpc.WithStatsHandler(&a.sent))...)
	if err != nil {
		return usagef("--server is no address: %w", err)
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	ctx := cmd.Context()
	if timeout > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, timeout)
		defer cancel()
	}
	return do(ctx, services{
		planning:       trigonev1.NewPlanningServiceClient(conn),
		record:         trigonev1.NewRecordServiceClient(conn),
		fhir:           trigonev1.NewElectronicRecordServiceClient(conn),
		audit:          trigonev1.NewAuditServiceClient(conn),
		administration: trigonev1.NewAdministrationServiceClient(conn),
		reference:      trigonev1.NewReferenceServiceClient(conn),
	})
}

// readCaseFile reads FILE; zone is that of times without one, nil: they are refused.
func readCaseFile(cmd *cobra.Command, path string, zone *time.Location) (*trigonev1.CaseFile, error) {
	var raw []byte
	var err error
	name := path
	if path == "-" {
		name = "standard input"
		raw, err = io.ReadAll(cmd.InOrStdin())
	} else {
		raw, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, fmt.Errorf("read the case file: %w", err)
	}
	file, err := casefile.Read(casefile.Source{Name: name, Zone: zone}, raw)
	if errors.Is(err, casefile.ErrNothingYet) {
		return nil, err
	}
	if err != nil {
		return nil, caseFileError{err}
	}
	return file, nil
}

// zoneOf gives the site's time zone by its policy.
func zoneOf(p policy.Policy) (*time.Location, error) {
	zone, err := time.LoadLocation(p.Settings.Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of the site: %w", err)
	}
	return zone, nil
}

// zoneForServer gives the zone of a policy that was named: the built-in one is not
// that of the server's site, and an hour would be lost without a word.
func (a *app) zoneForServer() (*time.Location, error) {
	if a.policy == "" {
		return nil, nil
	}
	clinical, err := a.settings()
	if err != nil {
		return nil, err
	}
	return zoneOf(clinical)
}

// caseReference reads CASE.
func caseReference(arg string) (*trigonev1.CaseReference, error) {
	if strings.HasPrefix(arg, "sites/") {
		return &trigonev1.CaseReference{Name: arg}, nil
	}
	i := strings.LastIndexByte(arg, '|')
	if i < 0 || i == len(arg)-1 {
		return nil, usagef("CASE is a name, sites/SITE/cases/UID, or a case number as SYSTEM|VALUE; put quotes around the latter")
	}
	return &trigonev1.CaseReference{ExternalIdentifier: &trigonev1.Identifier{System: arg[:i], Value: arg[i+1:]}}, nil
}

// printJSON prints a message.
func printJSON(w io.Writer, m proto.Message) error {
	text, err := render.JSON(m)
	if err != nil {
		return err
	}
	_, err = w.Write(text)
	return err
}
