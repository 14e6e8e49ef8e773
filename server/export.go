package server

import (
	"bytes"
	"fmt"
	"os"
	"runtime"

	"google.golang.org/grpc"

	"trigone/fhirmap"
	trigonev1 "trigone/proto/trigone/v1"
)

func (electronicRecordService) ExportResources(req *trigonev1.ExportResourcesRequest, out grpc.ServerStreamingServer[trigonev1.ExportResourcesResponse]) error {
	return stream(req, out, across(out.Context()).desks().ExportResources)
}

// readDeIdentifier reads the key of de-identified bundles. A key that others than
// its owner may read protects nobody, and one that others may change could be
// made the key of somebody else.
func readDeIdentifier(path string) (*fhirmap.DeIdentifier, error) {
	if path == "" {
		return nil, nil
	}
	const needed = "make one with 'head -c 32 /dev/urandom | base64' and 'chmod 600'"
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("read the key for de-identification: %w; %s", err, needed)
	}
	// Windows keeps rights elsewhere than in the mode.
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("the key for de-identification in %s is open to others (mode %04o); only its owner may read it: chmod 600", path, mode)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the key for de-identification: %w", err)
	}
	d, err := fhirmap.NewDeIdentifier(bytes.TrimRight(text, "\r\n"))
	if err != nil {
		return nil, fmt.Errorf("%s: %w; %s", path, err, needed)
	}
	return d, nil
}
