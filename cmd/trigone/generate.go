package main

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
	"time"

	"github.com/spf13/cobra"

	"trigone/internal/department"
	"trigone/internal/invent"
	"trigone/internal/private"
	"trigone/internal/render"
	"trigone/testdata"
)

// defaultGenerated is how many cases are drawn unless told otherwise, mostGenerated
// bounds what one call makes.
const (
	defaultGenerated = 400
	mostGenerated    = 100_000
)

func (a *app) generateCommand() *cobra.Command {
	var store string
	var cases int
	var seed uint64
	var without []string
	c := &cobra.Command{
		Use:   "generate --store FILE",
		Short: "Draw an invented department over years into a store, to learn and to try on",
		Long: `generate draws invented cases from a seed: several operators, plans and what came of
them, follow-ups over years, late, missing, lost. It sends them to a server of its own in
the order in which a hospital would, so that plans are received before incision and
what is late is late. The same seed draws the same cases.

Faults are built in, each of which --without leaves out: learning (a new operator),
deterioration (of the department, from a date on), ring (one family deeper than its table
says), prediction (less contact than the geometry gives). What was built in is printed at
the end, so that you can check what the charts find.

FILE is a new store, or one of invented cases: a store of real ones takes none. Unless
--policy gives one, the department's own policy is written beside it.`,
		Example: `  trigone generate --cases 400 --seed 1 --store department.db
  trigone generate --cases 150 --seed 2 --without deterioration --store quiet.db`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case store == "":
				return usagef("generate needs --store FILE, a new store or one of invented cases")
			case cases < 1 || cases > mostGenerated:
				return usagef("--cases is a number from 1 to %d", mostGenerated)
			}
			if err := a.formats(formatTable); err != nil {
				return err
			}
			built, err := builtWithout(without)
			if err != nil {
				return err
			}
			path := a.policy
			if path == "" {
				if path, err = departmentPolicy(store); err != nil {
					return err
				}
			}
			return a.generate(cmd.Context(), cmd.OutOrStdout(), store, path, invent.Settings{Cases: cases, Seed: seed, Built: built})
		},
	}
	f := c.Flags()
	f.StringVar(&store, "store", "", "SQLite file to write to")
	f.IntVar(&cases, "cases", defaultGenerated, "how many operations")
	f.Uint64Var(&seed, "seed", 1, "seed of the random numbers")
	f.StringArrayVar(&without, "without", nil, "leave out learning, deterioration, ring, prediction or all; may be repeated")
	return c
}

// builtWithout gives what is built in but for what is left out.
func builtWithout(names []string) (invent.Built, error) {
	b := invent.Everything()
	for _, list := range names {
		for _, name := range strings.Split(list, ",") {
			if name == "all" {
				return invent.Built{}, nil
			}
			if !b.LeaveOut(name) {
				return b, usagef("--without is %s or all, not %q", strings.Join(invent.FaultNames(), ", "), name)
			}
		}
	}
	return b, nil
}

// departmentPolicy writes the department's policy beside a store. One that is there
// already must be the same.
func departmentPolicy(store string) (string, error) {
	path := strings.TrimSuffix(store, filepath.Ext(store)) + ".policy.yaml"
	have, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return path, private.Write(path, testdata.DepartmentPolicy)
	case err != nil:
		return "", err
	case !slices.Equal(have, testdata.DepartmentPolicy):
		return "", usagef("%s is there and is another policy than the department's: name it by --policy, or give another --store", path)
	}
	return path, nil
}

// generate draws a department into a store and says what is in it.
func (a *app) generate(ctx context.Context, out io.Writer, store, policy string, s invent.Settings) error {
	d := invent.Invent(s)
	sent, err := department.Send(ctx, department.Options{
		Department: d,
		Start: func(ctx context.Context, now func() time.Time) (department.Server, error) {
			running, err := a.startServer(ctx, store, policy, now)
			return department.Server(running), err
		},
	})
	switch {
	case errors.Is(err, department.ErrAlreadyThere):
		return inputError{err}
	case err != nil:
		return err
	}
	render.Department(out, d, sent.Letters, sent.Retracted)
	fmt.Fprintf(out, "\nWritten to %s. Serve it, with pages in a browser:\n\n  trigoned --store %s --policy %s --http-listen 127.0.0.1:7431\n", store, store, policy)
	return nil
}

// demoDepartment draws the demo's department into its folder.
func (a *app) demoDepartment(ctx context.Context, out io.Writer, dir string, force bool) error {
	store := filepath.Join(dir, "department.db")
	if force {
		for _, ending := range []string{"", "-wal", "-shm"} {
			if err := os.Remove(store + ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	path, err := departmentPolicy(store)
	if err != nil {
		return err
	}
	return a.generate(ctx, out, store, path, invent.Settings{Cases: defaultGenerated, Seed: 1, Built: invent.Everything()})
}
