package profile

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"path"
	"slices"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

//go:embed resources/*.json
var files embed.FS

// Library holds the definitions. It does not change and is safe for concurrent
// use; the trees it gives are to be read only.
type Library struct {
	byType   map[string][]*fhirjson.Node // by id
	byURL    map[string]*fhirjson.Node
	bytes    map[string][]byte // by Type/id
	drain    codeSystem
	sets     map[string][]concept // value sets, expanded, by canonical
	profiles map[string]*rules    // by canonical
	codes    map[coding]class     // what Validate asks of a coding
}

// New reads the definitions.
func New() (*Library, error) {
	l := &Library{
		byType: map[string][]*fhirjson.Node{}, byURL: map[string]*fhirjson.Node{}, bytes: map[string][]byte{},
		sets: map[string][]concept{}, profiles: map[string]*rules{}, codes: map[coding]class{},
	}
	entries, err := files.ReadDir("resources")
	if err != nil {
		return nil, fault.Wrap(err, "read its own definitions")
	}
	for _, e := range entries {
		if err := l.add(e.Name()); err != nil {
			return nil, fault.Wrap(err, "read its own definition "+e.Name())
		}
	}
	for _, list := range l.byType {
		slices.SortFunc(list, func(a, b *fhirjson.Node) int { return strings.Compare(a.Str("id"), b.Str("id")) })
	}
	if err := l.link(); err != nil {
		return nil, fault.Wrap(err, "link its own definitions")
	}
	return l, nil
}

func (l *Library) add(name string) error {
	data, err := files.ReadFile(path.Join("resources", name))
	if err != nil {
		return err
	}
	n, err := fhirjson.Parse(data)
	if err != nil {
		return err
	}
	typ, id, url := n.Str("resourceType"), n.Str("id"), n.Str("url")
	if want := fhirmap.Canonical + "/" + typ + "/" + id; url != want || name != typ+"-"+id+".json" {
		return fmt.Errorf("the url is %q where file and id ask for %s", url, want)
	}
	// The version of a definition is a hash of its text, so that an ETag changes
	// when the text does, and never otherwise.
	sum := sha256.Sum256(n.Bytes())
	n.SetAt(2, "meta", fhirjson.Obj(
		"versionId", hex.EncodeToString(sum[:8]),
		"lastUpdated", n.Str("date")+"T00:00:00Z",
	))
	l.byType[typ] = append(l.byType[typ], n)
	l.byURL[url] = n
	l.bytes[typ+"/"+id] = n.Bytes()
	return nil
}

// link reads what the definitions say of one another.
func (l *Library) link() error {
	system := l.byURL[fhirmap.Local]
	if system == nil {
		return fmt.Errorf("there is no code system %s", fhirmap.Local)
	}
	l.drain = readCodeSystem(system)
	for _, vs := range l.byType["ValueSet"] {
		if err := l.compose(vs); err != nil {
			return err
		}
	}
	if err := l.classify(); err != nil {
		return err
	}
	for _, sd := range l.byType["StructureDefinition"] {
		r, err := l.readRules(sd)
		if err != nil {
			return err
		}
		l.profiles[sd.Str("url")] = r
	}
	return nil
}

// Read gives a definition as it goes out, with meta.
func (l *Library) Read(typ, id string) ([]byte, bool) {
	b, ok := l.bytes[typ+"/"+id]
	return b, ok
}

// All lists the definitions of a type by id.
func (l *Library) All(typ string) []*fhirjson.Node { return l.byType[typ] }

// ByURL finds a definition by its canonical, with a version or without.
func (l *Library) ByURL(url string) (*fhirjson.Node, bool) {
	url, version, versioned := strings.Cut(url, "|")
	n, ok := l.byURL[url]
	if !ok || versioned && version != n.Str("version") {
		return nil, false
	}
	return n, true
}
