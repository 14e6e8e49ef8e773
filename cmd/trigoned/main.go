// Command trigoned is the server.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	"time"
	_ "time/tzdata" // a hospital's server may have no time zone files

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"trigone/server"
)

func main() {
	os.Exit(run(untilAsked(), os.Args[1:], os.Stdout, os.Stderr))
}

// untilAsked gives a context that ends with the first signal to stop. Signals are
// let go before it ends: whoever sees the program stopping can end it with a second
// one at once.
func untilAsked() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGTERM, os.Interrupt)
	go func() {
		<-asked
		signal.Stop(asked)
		cancel()
	}()
	return ctx
}

// Exit codes.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2
)

// drainTime is how long running calls may take after a signal to stop.
const drainTime = 20 * time.Second

var errUsage = errors.New("usage")

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	command := command()
	command.SetArgs(args)
	command.SetOut(stdout)
	command.SetErr(stderr)
	err := command.ExecuteContext(ctx)
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errUsage):
		fmt.Fprintln(stderr, "trigoned:", err)
		return exitUsage
	}
	fmt.Fprintln(stderr, "trigoned:", err)
	return exitFailed
}

func command() *cobra.Command {
	var o server.Options
	var level string
	c := &cobra.Command{
		Use:   "trigoned",
		Short: "Serve the record of mitral valve repairs over gRPC",
		Long: `trigoned keeps structured plans and outcomes of mitral valve repairs, checks and
evaluates them with every write, and answers over gRPC. It stops on SIGTERM after
running calls have ended; a second one ends it at once.

Decision support for qualified staff, not a medical device. Clinical judgement,
local protocols and licensed practice come first.

Exit codes: 0 stopped as asked, 1 failed, 2 wrong use.`,
		Example: `  trigoned --listen 127.0.0.1:7430 --store trigone.db
  trigoned --store trigone.db --policy harbour.yaml --log-level debug
  trigoned --store trigone.db --http-listen 127.0.0.1:7431
  trigoned rebuild --store trigone.db
  trigoned restate --store trigone.db --policy harbour.yaml
  trigoned verify --store trigone.db
  trigoned verify-access --store trigone.db
  trigoned init-deployment --out trial
  trigoned check-config deployment.yaml
  trigoned --deployment deployment.yaml`,
		Args:          noArguments,
		SilenceUsage:  true,
		SilenceErrors: true,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := logger(level, cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			o.Log = log
			if o.Deployment != "" {
				for _, name := range []string{"listen", "http-listen", "http-base-url", "store", "must-exist", "policy", "deidentification-key-file", "access-key-file", "operations-listen"} {
					if cmd.Flags().Changed(name) {
						return fmt.Errorf("%w: --%s goes without --deployment, whose file says it", errUsage, name)
					}
				}
			}
			return serve(cmd.Context(), o)
		},
	}
	c.Flags().StringVar(&o.Deployment, "deployment", "", "deployment file, YAML: listeners, TLS, identities, rights, sites and store; without it only loopback is served")
	c.Flags().StringVar(&o.Listen, "listen", "127.0.0.1:7430", "loopback address to serve on; others need a deployment file")
	c.Flags().StringVar(&o.HTTPListen, "http-listen", "", "loopback address to serve FHIR R4, read only, and pages for a browser on over HTTP; default: not served")
	c.Flags().StringVar(&o.HTTPBaseURL, "http-base-url", "", "address that FHIR resources are named by, if a proxy stands before; default: http, the address served and /fhir")
	c.Flags().StringVar(&o.StorePath, "store", "trigone.db", "SQLite file of the record; made if it is not there")
	c.Flags().BoolVar(&o.StoreMustExist, "must-exist", false, "refuse to begin a new record: for a service whose record is there")
	c.Flags().StringVar(&o.PolicyPath, "policy", "", "the site's clinical policy, YAML; default: the built-in one")
	c.Flags().StringVar(&o.DeIdentificationKeyFile, "deidentification-key-file", "", "file of at least 32 random bytes, readable by its owner only; without it no de-identified bundles are made")
	c.Flags().StringVar(&o.AccessKeyFile, "access-key-file", "", "private key of Ed25519, PEM, that signs the access record; with it, reads are refused while they cannot be put on record")
	c.Flags().StringVar(&o.OperationsListen, "operations-listen", "", "loopback address to serve health (/live, /ready), /metrics and /version on over HTTP; default: not served")
	c.Flags().StringVar(&level, "log-level", "info", "debug, info, warn or error")
	c.AddCommand(
		rebuildCommand(), restateCommand(), verifyCommand(), verifyAccessCommand(), initDeploymentCommand(), showCertificateCommand(), checkConfigCommand(), configSchemaCommand(), backupCommand(), restoreCommand(), backupKeyCommand(), alertRulesCommand(), versionCommand(),
	)
	c.CompletionOptions.DisableDefaultCmd = true
	c.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		return fmt.Errorf("%w: %w; see trigoned --help", errUsage, err)
	})
	return c
}

func noArguments(_ *cobra.Command, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("%w: takes flags only; see trigoned --help", errUsage)
	}
	return nil
}

func logger(level string, out io.Writer) (*zap.Logger, error) {
	l, err := zapcore.ParseLevel(level)
	if err != nil {
		return nil, fmt.Errorf("%w: --log-level is debug, info, warn or error", errUsage)
	}
	encoder := zap.NewProductionEncoderConfig()
	encoder.TimeKey = "time"
	encoder.EncodeTime = zapcore.ISO8601TimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(encoder), zapcore.AddSync(out), l)), nil
}

// softMemory is when the collector begins to work for memory instead of for speed: a
// large request may then cost time, but not several times its memory. It is no
// bound; what is in use stays. GOMEMLIMIT sets another one.
const softMemory = 200 << 20

func limitMemory(o server.Options) {
	if os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	limit := int64(softMemory)
	if o.HTTPListen != "" || o.Deployment != "" {
		limit += server.RESTKeptBytes
	}
	debug.SetMemoryLimit(limit)
}

func serve(ctx context.Context, o server.Options) error {
	limitMemory(o)
	running, err := server.Start(ctx, o)
	if err != nil {
		return err
	}
	var failed error
	select {
	case <-ctx.Done():
	case failed = <-running.Failed():
	}
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
	defer cancel()
	return errors.Join(failed, running.Stop(drain))
}
