package trigonev1

import "embed"

// Sources are the files of the contract, for what the generated code does not hold:
// its comments.
//
//go:embed *.proto
var Sources embed.FS
