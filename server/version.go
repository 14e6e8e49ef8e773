package server

import "runtime/debug"

// Version gives the version of this software: the module's, or the commit it was
// built from.
func Version() string {
	const development = "development"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return development
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return s.Value
		}
	}
	return development
}
