// Command trigone is the client: it submits, reads and lists what a server
// keeps, evaluates a case file and explores its plan without one, and plays the
// demo.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the site's zone must be known on a machine without zone files
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
	// The first signal asks; a second one ends the program at once.
	context.AfterFunc(ctx, stop)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}
