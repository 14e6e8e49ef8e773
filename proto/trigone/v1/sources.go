// Package trigonev1 is the contract: the code generated from the .proto files beside it,
// and these files themselves, whose comments are read by what explains a case file.
package trigonev1

import "embed"

// Sources are the files of the contract, for what the generated code does not hold:
// its comments.
//
//go:embed *.proto
var Sources embed.FS
