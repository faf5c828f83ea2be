package main

import (
	"io"
	"os"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
)

// progress is a bar for long work. It shows itself only to a person: not when
// the output is a file or a pipe.
type progress struct {
	name string
	bars *mpb.Progress
	bar  *mpb.Bar
}

func newProgress(w io.Writer, name string, quiet bool) *progress {
	p := &progress{name: name}
	if f, ok := w.(*os.File); ok && !quiet && isTerminal(f) {
		p.bars = mpb.New(mpb.WithOutput(w), mpb.WithWidth(40))
	}
	return p
}

func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// Begin says how many bytes there are.
func (p *progress) Begin(total int64) {
	if p.bars == nil {
		return
	}
	p.bar = p.bars.AddBar(total,
		mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(p.name+" "), decor.Percentage()),
		mpb.AppendDecorators(decor.AverageSpeed(decor.SizeB1024(0), "% .1f"), decor.Name(", "), decor.AverageETA(decor.ET_STYLE_GO), decor.Name(" left")),
	)
}

// Set says how many bytes are done.
func (p *progress) Set(done int64) {
	if p.bar != nil {
		p.bar.SetCurrent(done)
	}
}

// Close takes the bar away.
func (p *progress) Close() {
	if p.bar != nil {
		p.bar.Abort(true)
	}
	if p.bars != nil {
		p.bars.Wait()
		p.bars, p.bar = nil, nil
	}
}

// BeginSteps is Begin for work that is not counted in bytes.
func (p *progress) BeginSteps(total int64) {
	if p.bars == nil {
		return
	}
	p.bar = p.bars.AddBar(total,
		mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name(p.name+" "), decor.Percentage()),
		mpb.AppendDecorators(decor.AverageETA(decor.ET_STYLE_GO), decor.Name(" left")),
	)
}
