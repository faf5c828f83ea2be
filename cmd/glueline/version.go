package main

import (
	"runtime"

	"glueline/sinks/segment"
)

// version of the program, as CHANGELOG.md counts them.
const version = "0.1.0"

// program is what stands in the files as their maker. It holds no time and no
// path, so that the same source gives files of the same bytes.
func program() segment.Program {
	return segment.Program{Version: "glueline " + version, Architecture: runtime.GOARCH}
}
