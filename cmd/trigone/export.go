package main

import (
	"bufio"
	"context"
	"encoding/json"
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

	"trigone/internal/private"
	"trigone/internal/render"
	trigonev1 "trigone/proto/trigone/v1"
)

const (
	manifestName = "manifest.json"
	// partialSuffix ends the name of a file that is not finished.
	partialSuffix = ".partial"
	ndjsonSuffix  = ".ndjson"
)

// manifest says what a folder holds. Its members are those of the Bulk Data
// manifest of HL7; what is ours stands in extension.
type manifest struct {
	TransactionTime     string            `json:"transactionTime"`
	Request             string            `json:"request"`
	RequiresAccessToken bool              `json:"requiresAccessToken"`
	Output              []manifestFile    `json:"output"`
	Error               []manifestFile    `json:"error"`
	Extension           manifestExtension `json:"extension"`
}

type manifestFile struct {
	Type  string `json:"type"`
	URL   string `json:"url"` // a file beside the manifest
	Count int64  `json:"count"`
}

type manifestExtension struct {
	Run           int      `json:"run"` // of the exports into this folder
	NextSince     string   `json:"nextSince"`
	ResourceTypes []string `json:"resourceTypes,omitempty"`
	Invented      bool     `json:"invented,omitempty"` // no case in it is a patient's
}

func (a *app) exportCommand() *cobra.Command {
	var x exportRun
	c := &cobra.Command{
		Use:   "export --out DIR",
		Short: "Write the FHIR resources of every case as NDJSON files",
		Long: `export writes the resources of every case into DIR, one file for each type with
one resource a line, and manifest.json, which names the files. The manifest is
written last, so that a folder with a manifest is whole; one that was interrupted
is begun again by the same command.

--incremental takes the token of DIR's manifest, writes only the cases that changed
since into further files, and names those beside the earlier ones. A resource may
stand on several lines: a later line, of a higher history number, takes
the place of an earlier one. Without --incremental everything is written anew and
the files of the manifest before are removed.`,
		Example: `  trigone export --out /srv/trigone-fhir
  trigone export --out /srv/trigone-fhir --incremental
  trigone export --out observations --types Observation,Device
  trigone export --out who-looked --types AuditEvent
  trigone export --out changes --since "$TOKEN"`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.formats(formatTable, formatJSON); err != nil {
				return err
			}
			if err := x.open(cmd.Flags().Changed("types")); err != nil {
				return err
			}
			x.terminal = terminal(cmd.ErrOrStderr())
			err := a.stream(cmd, func(ctx context.Context, s services) error { return x.receive(ctx, s.fhir) })
			if err != nil {
				return errors.Join(err, x.abandon())
			}
			written, err := x.finish()
			if err != nil {
				return err
			}
			if a.format == formatJSON {
				return writeManifest(cmd.OutOrStdout(), written)
			}
			x.tell(cmd.OutOrStdout(), written)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&x.dir, "out", "", "folder to write to; empty, or one that export wrote")
	f.StringVar(&x.since, "since", "", "token that an export ended with: only what changed since")
	f.BoolVar(&x.incremental, "incremental", false, "only what changed since the export that DIR's manifest is of")
	f.StringSliceVar(&x.types, "types", nil, "only these types of resources, such as Observation,Procedure")
	return c
}

// exportRun is one export into a folder.
type exportRun struct {
	dir, since  string
	incremental bool
	types       []string
	terminal    io.Writer // nil: nobody watches

	before manifest // run 0: there was none
	files  map[string]*partialFile
	end    *trigonev1.ExportEnd
}

type partialFile struct {
	file  *os.File
	lines *bufio.Writer
	count int64
}

// open looks at the folder before anything is asked of the server.
func (x *exportRun) open(typesGiven bool) error {
	switch {
	case x.dir == "":
		return usagef("export needs --out DIR")
	case x.incremental && x.since != "":
		return usagef("--incremental takes the token from DIR's manifest; leave --since out")
	}
	x.files = map[string]*partialFile{}
	if err := private.Folder(x.dir); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	list, err := os.ReadDir(x.dir)
	if err != nil {
		return fmt.Errorf("read the folder: %w", err)
	}
	// Files get their names between the manifest's first writing and its own name:
	// where a half-finished one lies, unnamed files are left over from an export.
	cutOff := slices.ContainsFunc(list, func(e fs.DirEntry) bool { return e.Name() == manifestName+partialSuffix })
	leftOver := func(e fs.DirEntry) bool {
		base, partial := strings.CutSuffix(e.Name(), partialSuffix)
		return partial && (base == manifestName || isOutput(base)) || cutOff && isOutput(e.Name())
	}
	text, err := os.ReadFile(filepath.Join(x.dir, manifestName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if slices.ContainsFunc(list, func(e fs.DirEntry) bool { return !leftOver(e) }) {
			return usagef("%s holds files and no %s, so it is none that export wrote; name an empty folder", x.dir, manifestName)
		}
		if x.incremental {
			return usagef("%s has no %s to continue from; export without --incremental first", x.dir, manifestName)
		}
	case err != nil:
		return fmt.Errorf("read the manifest: %w", err)
	default:
		if err := json.Unmarshal(text, &x.before); err != nil || x.before.Extension.Run < 1 {
			return usagef("%s is no manifest that export wrote; name another folder", filepath.Join(x.dir, manifestName))
		}
	}
	if x.incremental {
		if typesGiven {
			return usagef("--incremental continues with the types of DIR's manifest; leave --types out")
		}
		x.since, x.types = x.before.Extension.NextSince, x.before.Extension.ResourceTypes
	}
	for _, e := range list {
		named := slices.ContainsFunc(x.before.Output, func(f manifestFile) bool { return f.URL == e.Name() })
		if leftOver(e) && !named {
			if err := os.Remove(filepath.Join(x.dir, e.Name())); err != nil {
				return fmt.Errorf("remove what an earlier export left: %w", err)
			}
		}
	}
	return nil
}

// isOutput says whether export gives files such a name.
func isOutput(name string) bool {
	base, ok := strings.CutSuffix(name, ndjsonSuffix)
	typ, number, numbered := strings.Cut(base, "-")
	return ok && letters(typ) && (!numbered || number != "" && strings.Trim(number, "0123456789") == "")
}

// letters keeps names that a server gives from becoming paths.
func letters(s string) bool {
	return s != "" && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz") == ""
}

func (x *exportRun) run() int { return x.before.Extension.Run + 1 }

func (x *exportRun) name(typ string) string {
	if x.run() == 1 {
		return typ + ndjsonSuffix
	}
	return fmt.Sprintf("%s-%d%s", typ, x.run(), ndjsonSuffix)
}

func (x *exportRun) receive(ctx context.Context, client trigonev1.ElectronicRecordServiceClient) error {
	answers, err := client.ExportResources(ctx, &trigonev1.ExportResourcesRequest{ResourceTypes: x.types, Since: x.since})
	if err != nil {
		return err
	}
	for x.end == nil {
		answer, err := answers.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return errors.New("the server ended the export without its end; run the command again")
		case err != nil:
			return err
		case answer.GetChunk() != nil:
			if err := x.write(answer.GetChunk()); err != nil {
				return fmt.Errorf("write %s: %w", x.dir, err)
			}
		case answer.GetProgress() != nil && x.terminal != nil:
			fmt.Fprintf(x.terminal, "\r%d of %d cases\x1b[K", answer.GetProgress().GetCasesDone(), answer.GetProgress().GetCasesTotal())
		}
		x.end = answer.GetEnd()
	}
	if x.terminal != nil {
		fmt.Fprint(x.terminal, "\r\x1b[K")
	}
	return nil
}

func (x *exportRun) write(chunk *trigonev1.ResourceChunk) error {
	typ := chunk.GetResourceType()
	if !letters(typ) {
		return errors.New("the server names a type that is none")
	}
	p := x.files[typ]
	if p == nil {
		f, err := private.Create(filepath.Join(x.dir, x.name(typ)+partialSuffix))
		if err != nil {
			return err
		}
		p = &partialFile{file: f, lines: bufio.NewWriterSize(f, 1<<20)}
		x.files[typ] = p
	}
	p.count += int64(chunk.GetCount())
	_, err := p.lines.WriteString(chunk.GetNdjson())
	return err
}

// abandon closes and removes what was begun.
func (x *exportRun) abandon() error {
	var all error
	for _, p := range x.files {
		all = errors.Join(all, p.file.Close(), os.Remove(p.file.Name()))
	}
	return all
}

// finish gives the files their names and writes the manifest, last and at once:
// until then the manifest before is true.
func (x *exportRun) finish() (manifest, error) {
	m := manifest{
		TransactionTime: x.end.GetTransactionTime().AsTime().UTC().Format(time.RFC3339Nano),
		Request:         trigonev1.ElectronicRecordService_ExportResources_FullMethodName,
		Output:          []manifestFile{}, Error: []manifestFile{},
		Extension: manifestExtension{Run: x.run(), NextSince: x.end.GetNextSince(), ResourceTypes: x.types, Invented: x.end.GetInvented()},
	}
	if x.incremental {
		m.Output = append(m.Output, x.before.Output...)
	}
	for _, count := range x.end.GetCounts() {
		typ := count.GetResourceType()
		p := x.files[typ]
		if p == nil || p.count != count.GetCount() {
			return m, errors.Join(fmt.Errorf("the server counts %d lines of %s and sent others; run the command again", count.GetCount(), typ), x.abandon())
		}
		m.Output = append(m.Output, manifestFile{Type: typ, URL: x.name(typ), Count: p.count})
	}
	path := filepath.Join(x.dir, manifestName)
	f, err := private.Create(path + partialSuffix)
	if err == nil {
		err = errors.Join(writeManifest(f, m), f.Sync(), f.Close())
	}
	for typ, p := range x.files {
		err = errors.Join(err, p.lines.Flush(), p.file.Sync(), p.file.Close())
		if err == nil {
			err = os.Rename(p.file.Name(), filepath.Join(x.dir, x.name(typ)))
		}
	}
	if err == nil {
		err = os.Rename(path+partialSuffix, path)
	}
	if err != nil {
		return m, fmt.Errorf("write %s: %w; run the command again", x.dir, err)
	}
	if x.incremental {
		return m, nil
	}
	for _, old := range x.before.Output {
		if isOutput(old.URL) {
			if err := os.Remove(filepath.Join(x.dir, old.URL)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return m, fmt.Errorf("remove the export before: %w", err)
			}
		}
	}
	return m, nil
}

func writeManifest(w io.Writer, m manifest) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(m)
}

func (x *exportRun) tell(w io.Writer, m manifest) {
	var lines int64
	for _, count := range x.end.GetCounts() {
		lines += count.GetCount()
		fmt.Fprintf(w, "%-16s %8d  %s\n", count.GetResourceType(), count.GetCount(), filepath.Join(x.dir, x.name(count.GetResourceType())))
	}
	render.Invented(w, x.end.GetInvented())
	switch {
	case lines > 0:
	case x.since != "":
		fmt.Fprintln(w, "Nothing changed.")
	default:
		fmt.Fprintln(w, "The record holds nothing to export.")
	}
	fmt.Fprintf(w, "%s names %d files; the next export goes on from it with --incremental.\n", filepath.Join(x.dir, manifestName), len(m.Output))
}

// terminal gives the writer if it is a terminal.
func terminal(w io.Writer) io.Writer {
	f, ok := w.(*os.File)
	if !ok {
		return nil
	}
	if info, err := f.Stat(); err != nil || info.Mode()&fs.ModeCharDevice == 0 {
		return nil
	}
	return w
}

// stream is call without a deadline of ours: the server bounds a long answer, and
// an interrupt ends it.
func (a *app) stream(cmd *cobra.Command, do func(context.Context, services) error) error {
	return a.callWithin(cmd, 0, do)
}
