package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/klauspost/compress/gzip"

	"tidemark/internal/auth"
	"tidemark/internal/bulk"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// exportDefinition is the canonical of an operation of Bulk Data Access 2.0.
const exportDefinition = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/"

// exportOperations are the kick-offs of the bulk export.
func exportOperations(b *bulk.Service) []Operation {
	run := func(level bulk.Level) func(context.Context, *Server, *Interaction, Params) (*Answer, error) {
		return func(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
			return s.export(ctx, b, level, in, p)
		}
	}
	return []Operation{
		{Name: "$export", Level: AtSystem, Definition: exportDefinition + "export", Needs: []auth.Need{bulk.Right}, Spans: true, Run: run(bulk.OfSystem)},
		{Name: "$export", Level: AtType, Types: []string{"Patient"}, Definition: exportDefinition + "patient-export", Needs: []auth.Need{bulk.Right}, Spans: true, Run: run(bulk.OfPatients)},
		{Name: "$export", Level: AtInstance, Types: []string{"Group"}, Definition: exportDefinition + "group-export", Needs: []auth.Need{bulk.Right}, Spans: true, Run: run(bulk.OfGroup)},
	}
}

// ExportTypes are the types that an export may contain.
func ExportTypes() []string { return typeNames(full, derived) }

// export answers a kick-off. A request without Prefer: respond-async is treated as if
// it had it, since there is no other answer.
func (s *Server) export(ctx context.Context, b *bulk.Service, level bulk.Level, in *Interaction, p Params) (*Answer, error) {
	if in.InBundle {
		return nil, fault.New(fault.Invalid, "not-supported", "$export is not offered inside a Bundle; ask for it with a request of its own.")
	}
	pairs, err := exportPairs(in, p)
	if err != nil {
		return nil, err
	}
	r, err := bulk.ParseRequest(level, in.ID, pairs, ExportTypes(), in.Prefer.Lenient)
	if err != nil {
		return nil, err
	}
	id, err := b.Start(ctx, in.Who, r, s.exportURL(in))
	if err != nil {
		return nil, err
	}
	at := s.base + exportPath + id
	return &Answer{
		Status: http.StatusAccepted, Header: http.Header{"Content-Location": {at}},
		Resource: information("The export was taken up. Ask " + at + " how far it is.").Bytes(),
	}, nil
}

// exportPairs are the parameters as text; the one that is a Reference stands
// in a Parameters body only.
func exportPairs(in *Interaction, p Params) ([]search.Pair, error) {
	var out []search.Pair
	for _, x := range p.list {
		text := x.text
		switch {
		case x.name == "patient" && in.Body == nil:
			return nil, fault.New(fault.Invalid, "not-supported", "patient is sent in a Parameters body, by POST.")
		case x.value != nil && x.value.Kind == fhirjson.Object:
			text = x.value.Str("reference")
		}
		if text == "" {
			return nil, fault.New(fault.Invalid, "value", "The parameter %s has no value that could be read.", x.name)
		}
		out = append(out, search.Pair{Name: x.name, Value: text})
	}
	return out, nil
}

// exportURL is the request as the manifest repeats it.
func (s *Server) exportURL(in *Interaction) string {
	u := s.base
	for _, part := range []string{in.Type, in.ID, in.Special} {
		if part != "" {
			u += "/" + part
		}
	}
	var q []string
	for _, p := range in.Query {
		q = append(q, url.QueryEscape(p.Name)+"="+url.QueryEscape(p.Value))
	}
	if len(q) > 0 {
		u += "?" + strings.Join(q, "&")
	}
	return u
}

// Where exports are asked for, below the base.
const (
	exportPath     = "/bulk/"
	dictionaryPath = "/bulk-dictionary"
)

// exportFace are the routes besides the kick-off: status, deletion, files, and the
// dictionary of the flat tables.
type exportFace struct {
	s *Server
	b *bulk.Service
}

func (s *Server) mountExports(r gin.IRouter, b *bulk.Service) {
	f := exportFace{s, b}
	status, file, dictionary := f.as("R", f.status), f.as("R", f.file), f.as("R", f.dictionary)
	r.GET("/fhir"+exportPath+":job", status)
	r.HEAD("/fhir"+exportPath+":job", status)
	r.DELETE("/fhir"+exportPath+":job", f.as("D", f.remove))
	r.GET("/fhir"+exportPath+":job/:file", file)
	r.HEAD("/fhir"+exportPath+":job/:file", file)
	r.GET("/fhir"+dictionaryPath, dictionary)
	r.HEAD("/fhir"+dictionaryPath, dictionary)
}

// as authenticates, answers and audits.
func (f exportFace) as(action string, answer func(*gin.Context, *Interaction) error) gin.HandlerFunc {
	return func(c *gin.Context) {
		r := c.Request
		var err error
		in := &Interaction{Verb: r.Method, Request: c.GetString(requestKey), Address: f.s.address(r)}
		in.audit.is("operation", action, "")
		in.audit.text = strings.TrimPrefix(r.URL.Path, "/fhir")
		defer func() { f.s.audited(in, nil, err) }() // also when a file breaks off
		if in.Who, err = f.s.authenticate(r); err == nil {
			err = f.s.throttle(in.Who)
		}
		if err == nil {
			err = f.s.auditor.room() // before a file is on its way
		}
		if err == nil {
			err = answer(c, in)
		}
		if err != nil {
			f.s.fail(c, err)
		}
	}
}

func (f exportFace) status(c *gin.Context, in *Interaction) error {
	j, wait, err := f.b.Status(c.Request.Context(), in.Who, c.Param("job"))
	if err != nil {
		return err
	}
	switch j.Phase {
	case bulk.Failed:
		c.Data(http.StatusInternalServerError, "application/fhir+json; charset=utf-8",
			outcomeOf([]fault.Issue{{Severity: fault.Fatal, Code: "exception", Diagnostics: j.Error}}).Bytes())
	case bulk.Complete:
		at := f.s.base + exportPath + j.ID
		c.Header("Expires", j.Expires.UTC().Format(http.TimeFormat))
		m := j.Manifest(func(name string) string { return at + "/" + url.PathEscape(name) }, f.s.base+dictionaryPath)
		c.Data(http.StatusOK, "application/json", m.Bytes())
	default:
		progress := j.Progress
		if progress == "" {
			progress = string(j.Phase)
		}
		c.Header("X-Progress", progress[:min(len(progress), 99)])
		c.Header("Retry-After", fmt.Sprint(int(wait/time.Second)))
		c.Status(http.StatusAccepted)
		c.Writer.WriteHeaderNow()
	}
	return nil
}

func (f exportFace) remove(c *gin.Context, in *Interaction) error {
	if err := f.b.Delete(c.Request.Context(), in.Who, c.Param("job")); err != nil {
		return err
	}
	c.Data(http.StatusAccepted, "application/fhir+json; charset=utf-8", information("The export and its files are deleted.").Bytes())
	return nil
}

func (f exportFace) file(c *gin.Context, in *Interaction) error {
	file, about, zipped, err := f.b.OpenFile(c.Request.Context(), in.Who, c.Param("job"), c.Param("file"))
	if err != nil {
		return err
	}
	defer file.Close() // only read
	within(c, fileTime)
	h := c.Writer.Header()
	h.Set("Content-Type", about.MediaType())
	h.Set("Content-Disposition", `attachment; filename="`+about.Name+`"`)
	var body io.Reader = file
	switch {
	case !zipped: // a reader of Parquet asks for ranges
		http.ServeContent(c.Writer, c.Request, "", time.Time{}, file)
		return nil
	case acceptsGzip(c.Request):
		h.Set("Content-Encoding", "gzip")
		h.Set("Content-Length", fmt.Sprint(about.Size))
	default:
		z, err := gzip.NewReader(file)
		if err != nil {
			return fault.Wrap(err, "read a file of an export")
		}
		body = z
	}
	h.Add("Vary", "Accept-Encoding")
	c.Status(http.StatusOK)
	c.Writer.WriteHeaderNow()
	if c.Request.Method == http.MethodHead {
		return nil
	}
	if _, err := io.Copy(c.Writer, body); err != nil && c.Request.Context().Err() == nil {
		f.s.log.Error("a file of an export broke off", "id", in.Request, "err", err)
		panic(http.ErrAbortHandler) // the client must not take it for whole
	}
	return nil
}

func (f exportFace) dictionary(c *gin.Context, _ *Interaction) error {
	if c.Query("_format") == string(bulk.CSV) || strings.Contains(c.GetHeader("Accept"), string(bulk.CSV)) {
		c.Data(http.StatusOK, "text/csv; charset=utf-8", bulk.DictionaryCSV())
		return nil
	}
	c.Data(http.StatusOK, "text/markdown; charset=utf-8", bulk.DictionaryMarkdown())
	return nil
}
