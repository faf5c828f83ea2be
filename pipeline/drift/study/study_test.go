package study

import (
	"strings"
	"testing"
)

func TestStudy(t *testing.T) {
	all := Run(1, 20, false, false)
	var text strings.Builder
	Table(&text, all)
	t.Log(text.String())
}
