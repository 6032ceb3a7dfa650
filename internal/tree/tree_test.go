package tree

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// layers: each package and what of the project it may import; dependencies
// point inward, from the first rows to the last. "api/..." stands for the
// packages below it.
var layers = map[string]string{
	"cmd/tidemark": "answer api app auth bulk fault fhirjson fhirmap notify policy profile r4 replay search sim store store/sqlite ucum ward",
	"app":          "api api/board api/docs openapi auth budget bulk drain escalate fault fhirjson fhirmap notify policy profile r4 search store store/sqlite store/mongo ward",
	"api":          "answer auth balance budget bulk escalate fault fhirdate fhirjson fhirmap openapi plot policy profile r4 search statistics store ucum ward window",
	"api/board":    "",
	"api/docs":     "",
	"openapi":      "",
	"ward":         "answer balance budget concern drain due escalate fault fhirjson fhirmap plot policy r4 removal search store trend window",
	"notify":       "auth fault fhirdate fhirjson fhirmap search store",
	"bulk":         "auth balance drain escalate fault fhirdate fhirjson fhirmap notify policy r4 search store trend ward window",
	"plot":         "balance drain fault trend window",
	"auth":         "fault fhirjson",
	"profile":      "fault fhirdate fhirjson fhirmap search",
	"sim":          "drain fhirjson fhirmap",
	"replay":       "bulk concern drain escalate fhirdate fhirjson fhirmap policy store",
	"fhirmap":      "answer balance concern drain escalate fault fhirdate fhirjson removal store trend ucum window",
	"answer":       "balance drain due removal trend window",

	"store":             "drain fault fhirdate search",
	"store/engine":      "fault search store",
	"store/sqlite":      "budget drain fault search store store/engine",
	"store/mongo":       "budget drain fault fhirjson search store store/engine",
	"store/sqlite/disk": "",
	"store/storetest":   "budget drain fault fhirjson search store",

	"policy":   "balance concern drain due escalate fhirjson removal ucum window",
	"concern":  "drain escalate window",
	"removal":  "balance drain escalate trend window",
	"escalate": "balance drain due trend window",
	"due":      "balance drain window",
	"balance":  "drain window",
	"trend":    "",
	"window":   "",
	"drain":    "ucum",

	"budget":     "fault fhirjson",
	"search":     "fault fhirdate fhirjson ucum",
	"r4":         "fault fhirdate fhirjson",
	"fhirjson":   "fault",
	"fhirdate":   "",
	"statistics": "",
	"ucum":       "",
	"fault":      "",
	"tree":       "",
}

// pure packages compute: they may not look at the clock, the environment or a
// database, nor log.
var pure = []string{"concern", "removal", "escalate", "due", "balance", "trend", "window", "drain", "ucum", "statistics"}

type pkg struct {
	ImportPath, Dir, Name, Doc string
	GoFiles, Imports, Deps     []string
}

func list(t *testing.T, args ...string) []pkg {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Dir,Name,Doc,GoFiles,Imports,Deps"}, args...)...)
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), "GOFLAGS=")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var pkgs []pkg
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		if err := d.Decode(&p); err == io.EOF {
			return pkgs
		} else if err != nil {
			t.Fatal(err)
		}
		pkgs = append(pkgs, p)
	}
}

// short is how layers names a package.
func short(path string) string {
	return strings.TrimPrefix(strings.TrimPrefix(path, "tidemark/"), "internal/")
}

func TestImportsPointInward(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range list(t, "./...") {
		name := short(p.ImportPath)
		if strings.HasSuffix(name, "/gen") { // generators run by hand
			continue
		}
		seen[name] = true
		allowed, ok := layers[name]
		if !ok {
			t.Errorf("%s has no row in layers: say what it may import", p.ImportPath)
			continue
		}
		for _, i := range p.Imports {
			if strings.HasPrefix(i, "tidemark/") && !slices.Contains(strings.Fields(allowed), short(i)) {
				t.Errorf("%s imports %s, which its row does not allow", name, short(i))
			}
		}
	}
	for name := range layers {
		if !seen[name] {
			t.Errorf("layers has a row for %s, which is gone: a rule that no longer guards anything", name)
		}
	}
}

func TestEveryPackageSaysWhatItOwns(t *testing.T) {
	fset := token.NewFileSet()
	for _, p := range list(t, "./...") {
		docs := 0
		for _, f := range p.GoFiles {
			file, err := parser.ParseFile(fset, filepath.Join(p.Dir, f), nil, parser.ParseComments|parser.PackageClauseOnly)
			if err != nil {
				t.Fatal(err)
			}
			if file.Doc != nil {
				docs++
			}
		}
		if docs != 1 {
			t.Errorf("%s has %d package comments, want exactly one", p.ImportPath, docs)
		}
	}
}

func TestPurePackagesLookAtNothing(t *testing.T) {
	banned := []string{"os", "net", "net/http", "log", "log/slog", "database/sql", "context", "math/rand", "math/rand/v2"}
	fset := token.NewFileSet()
	for _, p := range list(t, "./...") {
		if !slices.Contains(pure, short(p.ImportPath)) {
			continue
		}
		for _, i := range p.Imports {
			if slices.Contains(banned, i) {
				t.Errorf("%s is pure and imports %s", p.ImportPath, i)
			}
		}
		for _, f := range p.GoFiles {
			file, err := parser.ParseFile(fset, filepath.Join(p.Dir, f), nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(file, func(n ast.Node) bool {
				if s, ok := n.(*ast.SelectorExpr); ok {
					if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && (s.Sel.Name == "Now" || s.Sel.Name == "Local" || s.Sel.Name == "Since") {
						t.Errorf("%s: pure code looks at time.%s", fset.Position(n.Pos()), s.Sel.Name)
					}
				}
				return true
			})
		}
	}
}

func TestNoInitFunctions(t *testing.T) {
	fset := token.NewFileSet()
	for _, p := range list(t, "./...") {
		for _, f := range p.GoFiles {
			file, err := parser.ParseFile(fset, filepath.Join(p.Dir, f), nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range file.Decls {
				if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
					t.Errorf("%s: an init function", fset.Position(fn.Pos()))
				}
			}
		}
	}
}

func TestProgramCarriesNoTestCode(t *testing.T) {
	for _, p := range list(t, "./cmd/tidemark") {
		for _, d := range p.Deps {
			switch d {
			case "testing", "pgregory.net/rapid", "github.com/google/go-cmp/cmp", "tidemark/internal/store/storetest":
				t.Errorf("the program links %s", d)
			}
		}
	}
}

func TestModuleFiles(t *testing.T) {
	mods, err := filepath.Glob("../../internal/*/go.mod")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range append(mods, "../../go.mod") {
		b, err := os.ReadFile(m)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			if strings.HasPrefix(strings.TrimSpace(line), "replace ") {
				t.Errorf("%s has a replace: %s", m, strings.TrimSpace(line))
			}
		}
	}
}

func TestTopLevelIsAsAgreed(t *testing.T) {
	agreed := []string{"cmd", "api", "fhirmap", "internal", "testdata", "openapi", "README.md", "DEVELOPERS.md", "go.mod", "go.sum", "go.work", "go.work.sum", "LICENSE"}
	cmd := exec.Command("git", "ls-tree", "--name-only", "HEAD")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Skip("not a git checkout")
	}
	for name := range strings.Lines(string(out)) {
		name = strings.TrimSpace(name)
		if !strings.HasPrefix(name, ".") && !slices.Contains(agreed, name) {
			t.Errorf("%s is not among the agreed top-level names", name)
		}
	}
}
