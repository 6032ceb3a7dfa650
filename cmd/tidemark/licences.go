package main

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

// licences are the texts of all that the program holds; a test keeps them current.
//
//go:embed licences.txt.gz
var licences []byte

// versionCmd prints what the program is and what it is made of.
type versionCmd struct {
	Licenses bool `help:"Print the licences of everything in the program." xor:"what"`
	SBOM     bool `name:"sbom" help:"Print a bill of materials: CycloneDX 1.6, JSON." xor:"what"`
}

func (c versionCmd) Run(e *env) error {
	switch {
	case c.Licenses:
		z, err := gzip.NewReader(bytes.NewReader(licences))
		if err != nil {
			return err
		}
		_, err = io.Copy(e.out, z)
		return err
	case c.SBOM:
		return materials(e.out)
	}
	_, err := fmt.Fprintln(e.out, versions())
	return err
}

// component is a part of a CycloneDX bill of materials.
type component struct {
	Type    string `json:"type"`
	Name    string `json:"name"`
	Version string `json:"version,omitempty"`
	PURL    string `json:"purl,omitempty"` // a package URL
}

// materials writes the bill of materials, from what the linker put into the
// program.
func materials(w io.Writer) error {
	type bill struct {
		Format   string `json:"bomFormat"`
		Spec     string `json:"specVersion"`
		Version  int    `json:"version"`
		Metadata struct {
			Component component `json:"component"`
		} `json:"metadata"`
		Components []component `json:"components"`
	}
	b := bill{Format: "CycloneDX", Spec: "1.6", Version: 1}
	b.Metadata.Component = component{Type: "application", Name: "tidemark", Version: version}
	b.Components = []component{
		{Type: "library", Name: "std", Version: runtime.Version()[len("go"):], PURL: "pkg:golang/std@" + runtime.Version()[len("go"):]},
		{Type: "library", Name: "oidc-client-ts"},
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, m := range info.Deps {
			if m.Replace != nil {
				m = m.Replace
			}
			b.Components = append(b.Components, component{"library", m.Path, m.Version, "pkg:golang/" + m.Path + "@" + m.Version})
		}
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", " ")
	return enc.Encode(b)
}
