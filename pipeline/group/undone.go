package group

import "maps"

// Undone says in words, as Differences does, which constants of now, put right by
// the change from was to made, would be as they were before it under next. What next
// makes something else again is no undoing.
func Undone(was, made, now, next []*Plan) ([]string, error) {
	var of [4]map[thing]constants
	for i, plans := range [][]*Plan{was, made, now, next} {
		var err error
		if of[i], err = describe(plans); err != nil {
			return nil, err
		}
	}
	holds, back := of[2], map[thing]constants{}
	for t, c := range holds {
		back[t] = maps.Clone(c)
	}
	for _, t := range both(of[0], of[1]) {
		for _, path := range both(of[0][t], of[1][t]) {
			before, right := of[0][t][path], of[1][t][path]
			if before == right || holds[t][path] != right || of[3][t][path] != before {
				continue
			}
			if back[t] == nil {
				back[t] = constants{}
			}
			if back[t][path] = before; before == "" {
				delete(back[t], path)
			}
		}
	}
	return between(holds, back), nil
}
