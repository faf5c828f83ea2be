package follow

import "glueline/pipeline/drift"

// Records hands out the record of each channel, as far as its windows are over:
// the newest ten minutes may be missing. Nothing of it may be changed, and none is
// of use after the next Take.
func (p *Pass) Records(visit func(channel string, r *drift.Record)) {
	for _, f := range p.followers {
		if f.source != "" && f.constants != nil {
			visit(f.name, &f.record)
		}
	}
}
