package drain

import (
	"testing"
	"time"
)

func TestWhere(t *testing.T) {
	at := func(hour int) time.Time { return time.Date(2026, 11, 25, hour, 0, 0, 0, time.UTC) }
	d := Drain{ID: "d", Ward: "ward-1"}
	open := Stay{ID: "e1", Open: true, Places: []string{"bed-9", "bed-2"}, Start: at(1)}
	finished := Stay{ID: "e2", Finished: true, Places: []string{"bed-3"}, Start: at(1), End: at(9)}
	moved := open
	moved.Moves = []Move{{"bed-9", time.Time{}}, {"bed-2", at(6)}}
	relabelled := d
	relabelled.Moves = []Move{{"ward-0", time.Time{}}, {"ward-1", at(6)}}
	for name, c := range map[string]struct {
		drain  Drain
		placed int
		stays  []Stay
		at     int
		want   Whereabouts
	}{
		"no Encounter":                       {d, 2, nil, 10, Whereabouts{Place: "ward-1"}},
		"where the patient is":               {d, 2, []Stay{open}, 10, Whereabouts{Place: "bed-2"}},
		"neither":                            {Drain{}, 2, nil, 10, Whereabouts{}},
		"an Encounter without a place":       {d, 2, []Stay{{Open: true, Start: at(1)}}, 10, Whereabouts{Place: "ward-1"}},
		"gone home":                          {d, 2, []Stay{finished}, 10, Whereabouts{Home: true}},
		"nobody says when":                   {d, 2, []Stay{{Finished: true}}, 10, Whereabouts{Home: true}},
		"back again":                         {d, 2, []Stay{finished, {ID: "e3", Open: true, Places: []string{"bed-5"}, Start: at(9)}}, 10, Whereabouts{Place: "bed-5"}},
		"discharged before it was placed":    {d, 9, []Stay{finished}, 10, Whereabouts{Place: "ward-1"}},
		"admitted only later":                {d, 2, []Stay{{Open: true, Places: []string{"bed-5"}, Start: at(11)}}, 10, Whereabouts{Place: "ward-1"}},
		"cancelled or planned":               {d, 2, []Stay{{Places: []string{"bed-5"}, Start: at(1)}}, 10, Whereabouts{Place: "ward-1"}},
		"of two, the later":                  {d, 2, []Stay{open, {ID: "e3", Open: true, Places: []string{"bed-7"}, Start: at(3)}}, 10, Whereabouts{Place: "bed-7"}},
		"then, before the transfer":          {d, 2, []Stay{moved}, 5, Whereabouts{Place: "bed-9"}},
		"then, as it was made":               {d, 2, []Stay{moved}, 6, Whereabouts{Place: "bed-2"}},
		"then, before the Encounter ended":   {d, 2, []Stay{finished}, 8, Whereabouts{Place: "bed-3"}},
		"then, before it was sent elsewhere": {relabelled, 2, nil, 5, Whereabouts{Place: "ward-0"}},
		"now that it is":                     {relabelled, 2, nil, 7, Whereabouts{Place: "ward-1"}},
	} {
		if got := Where(c.drain, at(c.placed), c.stays, at(c.at)); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
}

func TestWard(t *testing.T) {
	p := func(id, kind string) Place { return Place{ID: id, Kind: kind} }
	for want, chain := range map[string][]Place{
		"":   nil,
		"w":  {p("b", "bd"), p("r", "ro"), p("w", "wa"), p("h", "bu")},
		"w2": {p("w2", "wa"), p("h", "bu")},
		"w3": {p("b", ""), p("w3", "")},
		"w4": {p("b", "bd"), p("r", "ro"), p("w4", "")},
		"w5": {p("w5", "")},
		"b6": {p("b6", "bd")},
	} {
		if got := Ward(chain); got.ID != want {
			t.Errorf("%v: %s, want %s", chain, got.ID, want)
		}
	}
}
