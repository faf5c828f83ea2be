package group

import "math"

// Load returns the name of the auxiliary quantity that strain is read against,
// "" for none. It may be one of another group's.
func (p *Plan) Load() string { return p.test.About.Load.Text }

// loads returns the load of rows when their own source reads it, else nil.
func (run *sourceRun) loads(b *Batch, from, to int) []float64 {
	if run.load < 0 {
		return nil
	}
	return b.Columns[run.auxiliary[run.load].plan.column].Float[from:to]
}

// rememberLoad keeps the newest load for the channels of other sources.
func (run *sourceRun) rememberLoad(b *Batch) {
	loads := run.loads(b, 0, b.Rows)
	for i := len(loads) - 1; i >= 0; i-- {
		if !math.IsNaN(loads[i]) {
			if run.reducer.state.Load == nil {
				run.reducer.state.Load = new(float64)
			}
			*run.reducer.state.Load = loads[i]
			return
		}
	}
}
