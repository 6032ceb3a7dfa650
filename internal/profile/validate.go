package profile

import (
	"fmt"
	"strconv"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// topic is what an Observation's code may be about; the values are bits.
type topic uint8

const (
	ofDrain  topic = 1 << iota // an emptying or a reservoir check
	ofOutput                   // output without a drain
	ofIntake
	ofWeight
	ofSite
	besideSite // a code that may stand beside the one of a site assessment
)

// class is what Validate knows of a code.
type class struct {
	topic     topic
	sign      bool  // a component of site assessments only
	component uint8 // a component that stands once: its number from 1; 0 for others
}

// maxComponents is how many numbers a set of bits has room for.
const maxComponents = 64

// Value sets that Validate rests on.
const (
	setDrainOutput = fhirmap.Canonical + "/ValueSet/drain-output-code"
	setOtherOutput = fhirmap.Canonical + "/ValueSet/other-output-code"
	setIntake      = fhirmap.Canonical + "/ValueSet/intake-code"
	setSite        = fhirmap.Canonical + "/ValueSet/site-assessment-code"
	setSigns       = fhirmap.Canonical + "/ValueSet/site-sign"
	setComponents  = fhirmap.Canonical + "/ValueSet/drain-component"
)

// classify tells from the value sets what each code may be used for.
func (l *Library) classify() error {
	for code := range l.drain.byCode {
		l.codes[coding{fhirmap.Local, code}] = class{}
	}
	change := func(c coding, f func(*class)) {
		k := l.codes[c]
		f(&k)
		l.codes[c] = k
	}
	topics := func(url string, t topic) {
		for _, c := range l.sets[url] {
			change(c.coding, func(k *class) { k.topic |= t })
		}
	}
	topics(setDrainOutput, ofDrain)
	topics(setOtherOutput, ofOutput)
	topics(setIntake, ofIntake)
	topics(setSite, besideSite)
	change(coding{fhirmap.Local, fhirmap.CodeCheck}, func(k *class) { k.topic = ofDrain })
	change(coding{fhirmap.Local, fhirmap.CodeSite}, func(k *class) { k.topic = ofSite })
	change(coding{fhirmap.LOINC, fhirmap.LOINCWeight}, func(k *class) { k.topic = ofWeight })
	for _, c := range l.sets[setSigns] {
		change(c.coding, func(k *class) { k.sign = true })
	}
	next := uint8(0)
	for _, url := range []string{setComponents, setSigns} {
		for _, c := range l.sets[url] {
			if next++; next > maxComponents {
				return fmt.Errorf("there are more than %d components", maxComponents)
			}
			change(c.coding, func(k *class) { k.component = next })
		}
	}
	return nil
}

// Validate checks a resource that package r4 has found valid by the rules of
// this service: its codes and extensions wherever they stand, what the codes of
// an Observation may be together, and the profiles of ours that it claims.
func (l *Library) Validate(n *fhirjson.Node) *fault.List {
	j := validation{library: l, list: &fault.List{}, root: n.Str("resourceType")}
	j.path = j.room[:0]
	j.walk(n)
	if j.root == "Observation" {
		j.observation(n)
	}
	for i, p := range n.Get("meta").Each("profile") {
		j.claim(n, p.Text, i)
	}
	return j.list
}

// Conforms checks a resource by one profile, whether it claims it or not. An
// unknown profile is an error. R4's own definition of the resource's type asks
// for nothing that package r4 does not.
func (l *Library) Conforms(n *fhirjson.Node, url string) (*fault.List, error) {
	if base, _, _ := strings.Cut(url, "|"); base == "http://hl7.org/fhir/StructureDefinition/"+n.Str("resourceType") {
		return &fault.List{}, nil
	}
	def, ok := l.ByURL(url)
	var r *rules
	if ok {
		r = l.profiles[def.Str("url")]
	}
	if r == nil || r.typ == "Extension" {
		return nil, fault.New(fault.NotFound, "not-found", "No profile of this canonical is known here; StructureDefinition lists those that are.")
	}
	var list fault.List
	r.check(n, &list)
	return &list, nil
}

// validation is one validation of a resource. Its path is a stack, written out only for
// a fault.
type validation struct {
	library *Library
	list    *fault.List
	root    string
	path    []segment
	room    [16]segment
}

type segment struct {
	name  string
	index int // -1 for an element that does not repeat
}

// choices are the types after which the JSON names of choice elements on the
// way to a coding end; FHIRPath has the plain name.
var choices = [...]string{"CodeableConcept", "Coding", "Quantity", "Reference", "Period"}

func (j *validation) at(child string) string {
	var b strings.Builder
	b.WriteString(j.root)
	for _, s := range j.path {
		b.WriteByte('.')
		name := strings.TrimPrefix(s.name, "_")
		for _, t := range choices {
			if plain, ok := strings.CutSuffix(name, t); ok && plain != "" {
				name = plain
				break
			}
		}
		b.WriteString(name)
		if s.index >= 0 {
			b.WriteString("[" + strconv.Itoa(s.index) + "]")
		}
	}
	if child != "" {
		b.WriteString("." + child)
	}
	return b.String()
}

// walk looks at every coding and extension of a tree.
func (j *validation) walk(n *fhirjson.Node) {
	var system, code, url *fhirjson.Node
	for i := range n.Members {
		m := &n.Members[i]
		switch m.Value.Kind {
		case fhirjson.String:
			switch m.Name {
			case "system":
				system = m.Value
			case "code":
				code = m.Value
			case "url":
				url = m.Value
			}
		case fhirjson.Object:
			j.path = append(j.path, segment{m.Name, -1})
			j.walk(m.Value)
			j.path = j.path[:len(j.path)-1]
		case fhirjson.Array:
			for k, item := range m.Value.Items {
				if item.Kind == fhirjson.Object {
					j.path = append(j.path, segment{m.Name, k})
					j.walk(item)
					j.path = j.path[:len(j.path)-1]
				}
			}
		}
	}
	if system != nil && code != nil && system.Text == fhirmap.Local {
		if _, ok := j.library.codes[coding{fhirmap.Local, code.Text}]; !ok {
			j.list.Add("code-invalid", j.at("code"), "%s has no such code; %s.", fhirmap.Local, j.library.drain.advice(code.Text))
		}
	}
	if url != nil && len(j.path) > 0 && strings.HasPrefix(url.Text, ours) {
		if name := j.path[len(j.path)-1].name; name == "extension" || name == "modifierExtension" {
			j.extension(n, url.Text)
		}
	}
}

// advice is what to do about a code that does not exist.
func (cs codeSystem) advice(code string) string {
	for _, c := range cs.list {
		if known := c.Str("code"); strings.EqualFold(known, strings.NewReplacer("_", "-", " ", "-").Replace(code)) {
			return "write " + known
		}
	}
	return "CodeSystem/drain and the value sets list the ones there are, and what has none is said in text"
}

// ours begins the canonicals of our profiles and extensions.
const ours = fhirmap.Canonical + "/StructureDefinition/"

func (j *validation) extension(n *fhirjson.Node, url string) {
	r := j.library.profiles[url]
	switch {
	case r == nil || r.typ != "Extension":
		j.list.Add("extension", j.at("url"), "The service defines no extension of this name; StructureDefinition lists those that it does.")
	case n.Get(r.value) == nil:
		j.list.Add("extension", j.at("value"), "This extension holds a %s; send %s.", strings.TrimPrefix(r.value, "value"), r.value)
	}
}

// observation validates what the codes of an Observation, and of those contained
// in it, are together. A right may be limited to some codes, and such a limit
// holds for an Observation when any one of its codings matches. So what one may
// chart and what another may chart must not share an Observation.
func (j *validation) observation(n *fhirjson.Node) {
	found, alone := j.topics(n)
	contained := n.Each("contained")
	for _, c := range contained {
		if c.Str("resourceType") == "Observation" {
			f, a := j.topics(c)
			found, alone = found|f, alone && a
		}
	}
	site := found&ofSite != 0
	switch {
	case site && (found&^(ofSite|besideSite) != 0 || !alone):
		j.list.Add("business-rule", "Observation.code", "A drain site assessment stands alone, since the right to chart it is granted apart: send %s in an Observation of its own, without the code of anything else.", fhirmap.CodeSite)
	case found&ofIntake != 0 && found&(ofDrain|ofOutput) != 0:
		j.list.Add("business-rule", "Observation.code", "The codes say both intake and output; send one Observation for each.")
	case found&ofWeight != 0 && found&(ofDrain|ofOutput|ofIntake) != 0:
		j.list.Add("business-rule", "Observation.code", "The codes say both body weight and a volume of fluid; send one Observation for each.")
	}
	j.components(n, site, "Observation")
	for i, c := range contained {
		if c.Str("resourceType") == "Observation" {
			j.components(c, site, "Observation.contained["+strconv.Itoa(i)+"]")
		}
	}
}

// topics are those of an Observation's codings. alone is false when a code of
// LOINC or of ours is among them that may not stand beside a site assessment.
func (j *validation) topics(n *fhirjson.Node) (found topic, alone bool) {
	alone = true
	for _, c := range n.Get("code").Each("coding") {
		system := c.Str("system")
		if system != fhirmap.Local && system != fhirmap.LOINC {
			continue
		}
		k := j.library.codes[coding{system, c.Str("code")}]
		found |= k.topic
		if k.topic&(ofSite|besideSite) == 0 {
			alone = false
		}
	}
	return found, alone
}

func (j *validation) components(n *fhirjson.Node, site bool, where string) {
	var seen uint64
	for i, comp := range n.Each("component") {
		for k, c := range comp.Get("code").Each("coding") {
			system := c.Str("system")
			if system != fhirmap.Local && system != fhirmap.LOINC {
				continue
			}
			known := j.library.codes[coding{system, c.Str("code")}]
			expr := func() string {
				return where + ".component[" + strconv.Itoa(i) + "].code.coding[" + strconv.Itoa(k) + "]"
			}
			if known.sign && !site {
				j.list.Add("business-rule", expr(), "%s is a sign at the drain site, which only a site assessment charts: send it in an Observation of its own with the code %s.", c.Str("code"), fhirmap.CodeSite)
			}
			if known.component == 0 {
				continue
			}
			bit := uint64(1) << (known.component - 1)
			if seen&bit != 0 {
				j.list.Add("business-rule", expr(), "The component %s is given twice; keep one.", c.Str("code"))
			}
			seen |= bit
		}
	}
}

// claim validates a resource by a profile that its meta names. Profiles of others
// are not validated.
func (j *validation) claim(n *fhirjson.Node, url string, i int) {
	if !strings.HasPrefix(url, ours) {
		return
	}
	def, ok := j.library.ByURL(url)
	if !ok {
		j.list.Add("not-found", j.root+".meta.profile["+strconv.Itoa(i)+"]", "The service has no such profile; StructureDefinition lists those that it has.")
		return
	}
	j.library.profiles[def.Str("url")].check(n, j.list)
}
