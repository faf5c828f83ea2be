package group

import "strings"

// Needed lists the sources whose frames it takes to reduce those of some: these,
// those that read their temperatures, and the one that reads the load. They are
// in the order of Sources.
func (p *Plan) Needed(some []string) []string {
	needed := map[string]bool{}
	for _, name := range some {
		needed[name] = true
	}
	for _, s := range p.sources {
		if !needed[s.name] {
			continue
		}
		need := func(i int) {
			for ; i >= 0; i = p.temperatures[i].cold {
				needed[p.temperatures[i].source] = true
			}
		}
		for _, c := range s.channels {
			need(c.temperature)
			for _, w := range c.wires {
				need(w.leads)
			}
		}
		for _, i := range s.owned {
			need(i)
		}
	}
	var out []string
	for _, s := range p.sources {
		if len(some) > 0 && p.ReadsLoad(s.name) {
			needed[s.name] = true
		}
		if needed[s.name] {
			out = append(out, s.name)
		}
	}
	return out
}

// ReadsLoad reports whether a source reads the quantity that strain is read
// against.
func (p *Plan) ReadsLoad(source string) bool {
	s := p.source(source)
	if s == nil {
		return false
	}
	for _, a := range s.auxiliary {
		if a.name == p.Load() {
			return true
		}
	}
	return false
}

// SourceOf is the source that serves a channel; "" when the plan has none of
// that name.
func (p *Plan) SourceOf(channel string) string {
	for _, s := range p.sources {
		for _, c := range s.channels {
			if c.name == channel {
				return s.name
			}
		}
	}
	return ""
}

// Graft gives a state what another one, of the same place of the group's order,
// knows of some sources.
func (p *Plan) Graft(into, from *State, sources []string) {
	for _, name := range sources {
		if s := from.Sources[name]; s != nil {
			into.Sources[name] = s
		}
		for key, input := range from.Inputs {
			if strings.HasPrefix(key, name+"/") {
				into.Inputs[key] = input
			}
		}
		for _, t := range p.temperatures {
			if s := from.Temperatures[t.name]; t.source == name && s != nil {
				into.Temperatures[t.name] = s
			}
		}
	}
}
