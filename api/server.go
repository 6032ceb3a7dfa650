package api

import (
	"cmp"
	"compress/gzip"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/bulk"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// Options are what New needs.
type Options struct {
	Store       store.Store
	Ward        *ward.Service
	Verifier    auth.Verifier
	Conformance *profile.Library
	Policy      func() *policy.Policy
	Extract     search.ExtractOptions
	Logger      *slog.Logger
	BaseURL     string            // of /fhir, without a slash at the end
	Version     string            // of the software, for /fhir/metadata
	AuditRoom   int               // audit records that may wait for a store that takes none; 0: 8192
	MaxBody     int64             // bytes of a request body; 0: 16 MiB
	MaxResource int64             // bytes of one resource; 0: 1 MiB
	Heavy       int               // heavy requests at a time; 0: one less than the processors
	HeavyWait   time.Duration     // for a turn of a heavy request; 0: 10 s
	RequestTime time.Duration     // for one interaction; 0: 30 s
	Most        budget.Cost       // of one request; zero: budget.Request
	Charged     func(budget.Cost) // told what each request has cost; nil for nobody
	AnswerTime  time.Duration     // for a client to take its answer; 0: 2 min
	// Limiter reports whether a client may continue, and when it may try again.
	Limiter     func(client string) (ok bool, wait time.Duration)
	AllowOrigin []string // CORS; empty: none
	Mounts      []Mount  // other parts of the API: the board, documentation, exports
	Hooks       map[string]Hook
	Views       map[string]View
	Committed   func() // called behind each commit; nil for nobody
	// Observe is told of every answer; nil for nobody.
	Observe    func(interaction, typ string, status int, took time.Duration)
	Tracer     trace.Tracer // nil for none
	Operations []Operation
	Exports    *bulk.Service  // nil: no bulk export
	Topics     Topics         // nil: no $status and $events of Subscriptions
	Trusted    []netip.Prefix // proxies whose X-Forwarded-… headers hold
}

// A Hook checks a resource before it is written, and may complete it; before is nil on
// a create.
type Hook func(ctx context.Context, who *auth.Principal, n, before *fhirjson.Node) error

// A View changes what clients see of a resource, for instance to hide secrets.
type View func(n *fhirjson.Node)

// Mount adds a handler of another package to the router, without rights.
type Mount struct {
	Path    string
	Handler http.Handler
}

// Server answers HTTP.
type Server struct {
	store       store.Store
	ward        *ward.Service
	verifier    auth.Verifier
	conformance *profile.Library
	policy      func() *policy.Policy
	extract     search.ExtractOptions
	log         *slog.Logger
	base        string
	version     string
	maxBody     int64
	maxResource int64
	requestTime time.Duration
	most        budget.Cost
	charged     func(budget.Cost)
	turns       *turns
	answerTime  time.Duration
	limiter     func(string) (bool, time.Duration)
	origins     []string
	hooks       map[string]Hook
	views       map[string]View
	committed   func()
	observe     func(string, string, int, time.Duration)
	tracer      trace.Tracer
	operations  map[string][]Operation
	exports     *bulk.Service // nil for none
	topics      Topics        // nil for none
	auditor     *auditor
	refusals    *refusals
	bodies      bodies
	standIns    sync.Map // the key of something hidden by type, for unknown
	pageKey     atomic.Pointer[[]byte]
	router      *gin.Engine
	trusted     []netip.Prefix
	ending      atomic.Bool
}

// New builds the server. Close it after the last request.
func New(o Options) *Server {
	s := &Server{
		store: o.Store, ward: o.Ward, verifier: o.Verifier, conformance: o.Conformance, policy: o.Policy, extract: o.Extract,
		log: o.Logger, base: strings.TrimSuffix(o.BaseURL, "/"), version: o.Version, maxBody: o.MaxBody, limiter: o.Limiter,
		origins: o.AllowOrigin, hooks: o.Hooks, views: o.Views, committed: o.Committed, exports: o.Exports, topics: o.Topics, observe: o.Observe, tracer: o.Tracer, operations: map[string][]Operation{},
		bodies: newBodies(), trusted: o.Trusted,
	}
	s.answerTime = cmp.Or(o.AnswerTime, answerTime)
	s.maxBody = cmp.Or(s.maxBody, 16<<20)
	s.maxResource = min(cmp.Or(o.MaxResource, 1<<20), s.maxBody, store.MaxResource)
	s.requestTime = cmp.Or(o.RequestTime, requestTime)
	s.most = cmp.Or(o.Most, budget.Request)
	s.charged = o.Charged
	s.turns = newTurns(o.Heavy, o.HeavyWait)
	if s.tracer == nil {
		s.tracer = noop.NewTracerProvider().Tracer("")
	}
	more := o.Operations
	if o.Exports != nil {
		more = append(exportOperations(o.Exports), more...)
	}
	for _, op := range append(builtin(), more...) {
		s.operations[op.Name] = append(s.operations[op.Name], op)
	}
	s.auditor = startAuditor(o.Store, cmp.Or(o.AuditRoom, auditRoom), func(lost int, err error) {
		if lost > 0 {
			s.log.Error("AuditEvents of reads and refusals are lost, since the store took none before the end", "records", lost)
			return
		}
		s.log.Error("audit records not written", "err", fault.Of(err).Cause, "text", err.Error())
	})
	s.refusals = newRefusals(func(r store.AuditRecord) {
		r.ID = ward.NewID()
		if err := s.auditor.add(r); err != nil {
			s.log.Error("refusals that were counted are not noted", "address", r.Address, "detail", r.Detail)
		}
	})
	s.router = s.routes(o.Mounts)
	if o.Exports != nil {
		s.mountExports(s.router, o.Exports)
	}
	return s
}

// Handler serves the whole API.
func (s *Server) Handler() http.Handler { return s.router }

// Ending makes /readyz report that the service is about to stop.
func (s *Server) Ending() { s.ending.Store(true) }

// AuditQueue is how many audit records wait to be written, and the number at which
// requests are refused.
func (s *Server) AuditQueue() (waiting, room int) { return len(s.auditor.in), cap(s.auditor.in) }

// Close waits until the audit records of all requests are written.
func (s *Server) Close() {
	s.refusals.close()
	s.auditor.close()
}

func (s *Server) zone() *time.Location { return s.policy().Zone() }

// routes: everything below /fhir is one Interaction, read from method and
// path in one place; gin's tree cannot tell Observation/_history from
// Observation/123.
func (s *Server) routes(mounts []Mount) *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	r := gin.New()
	r.HandleMethodNotAllowed = true
	r.RedirectTrailingSlash, r.RedirectFixedPath = false, false
	r.UseRawPath, r.UnescapePathValues = true, false
	r.Use(s.identify, s.recoverPanics, s.headers)

	for _, method := range []string{http.MethodGet, http.MethodHead} {
		r.Handle(method, "/livez", func(c *gin.Context) { c.String(http.StatusOK, "alive\n") })
		r.Handle(method, "/readyz", s.readyz)
		r.Handle(method, "/fhir/metadata", s.metadata)
		r.Handle(method, "/fhir/.well-known/smart-configuration", s.smartConfiguration)
	}
	for _, m := range mounts {
		h := gin.WrapH(m.Handler)
		r.GET(m.Path, h)
		r.HEAD(m.Path, h)
	}
	if auth.Describe(s.verifier).Issuer == auth.LocalIssuer {
		r.POST(tokenPath, noToken)
	}
	r.Any("/fhir", s.fhir)
	r.NoRoute(s.noRoute)
	r.NoMethod(func(c *gin.Context) {
		s.fail(c, fault.New(fault.Method, "not-supported", "%s is not offered at %s.", c.Request.Method, c.Request.URL.Path))
	})
	return r
}

// noRoute answers all of /fhir/…: a wildcard route cannot stand beside
// /fhir/metadata in gin's tree.
func (s *Server) noRoute(c *gin.Context) {
	if strings.HasPrefix(c.Request.URL.Path, "/fhir/") {
		c.Status(http.StatusOK)
		s.fhir(c)
		return
	}
	s.fail(c, fault.New(fault.NotFound, "not-found", "There is nothing at %s. The FHIR base is %s.", c.Request.URL.Path, s.base))
}

const (
	requestKey = "request"
	routeKey   = "route"
)

// identify gives each request an id: the client's own if it sent a valid one.
func (s *Server) identify(c *gin.Context) {
	id := c.GetHeader("X-Request-Id")
	if !fhirjson.IsID(id) {
		id = uuid.NewString()
	}
	c.Set(requestKey, id)
	c.Header("X-Request-Id", id)
	if x := c.GetHeader("X-Correlation-Id"); fhirjson.IsID(x) {
		c.Header("X-Correlation-Id", x)
	}
	start := time.Now()
	c.Next()
	s.log.Debug("request", "id", id, "method", c.Request.Method, "route", cmp.Or(c.GetString(routeKey), c.FullPath()), "status", c.Writer.Status(), "took", time.Since(start))
}

func (s *Server) recoverPanics(c *gin.Context) {
	defer func() {
		if v := recover(); v != nil {
			if err, ok := v.(error); ok && errors.Is(err, http.ErrAbortHandler) {
				panic(v)
			}
			s.log.Error("panic", "id", c.GetString(requestKey), "panic", fmt.Sprint(v), "stack", string(debug.Stack()))
			s.fail(c, &fault.Error{Kind: fault.Internal, Issues: []fault.Issue{{Code: "exception"}}, Cause: fmt.Errorf("panic: %v", v)})
		}
	}()
	c.Next()
}

// Time limits for a client to read its answer. Without one, a client that never reads
// would hold its connection, and the answer in memory, for ever.
const (
	answerTime = 2 * time.Minute
	fileTime   = time.Hour // for a file of an export
)

// within limits the time to answer. A connection without deadlines, such as that of a
// test, has none.
func within(c *gin.Context, d time.Duration) {
	_ = http.NewResponseController(c.Writer).SetWriteDeadline(time.Now().Add(d))
}

// headers are those of every answer, and the CORS headers of the allow-list.
func (s *Server) headers(c *gin.Context) {
	within(c, s.answerTime)
	if size := headerSize(c.Request); size > MaxHeader {
		s.fail(c, fault.New(fault.HeadersTooLarge, "too-long", "The URL and headers are %d bytes; at most %d are read. Send a long search as POST …/_search.", size, MaxHeader))
		return
	}
	h := c.Writer.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	if strings.HasPrefix(c.Request.URL.Path, "/fhir") {
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	}
	if c.Request.TLS != nil || s.behindTLS(c.Request) {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	origin := c.GetHeader("Origin")
	if len(s.origins) > 0 {
		h.Add("Vary", "Origin") // also where it is not let in: caches keep both
	}
	for _, o := range s.origins {
		if origin != "" && o == origin {
			h.Set("Access-Control-Allow-Origin", origin)
			h.Set("Access-Control-Expose-Headers", "ETag, Location, Content-Location, Last-Modified, X-Request-Id, Retry-After, Warning")
			if c.Request.Method == http.MethodOptions {
				h.Set("Access-Control-Allow-Methods", "GET, HEAD, POST, PUT, PATCH, DELETE")
				h.Set("Access-Control-Allow-Headers", "Authorization, Content-Type, Accept, If-Match, If-None-Match, If-None-Exist, If-Modified-Since, Prefer, X-Request-Id")
				h.Set("Access-Control-Max-Age", "600")
				c.AbortWithStatus(http.StatusNoContent)
				return
			}
		}
	}
	c.Next()
}

// MaxHeader is how many bytes of URL and headers are read. The listener takes somewhat
// more, so that the refusal can be an OperationOutcome.
const MaxHeader = 64 << 10

func headerSize(r *http.Request) int {
	n := len(r.RequestURI)
	for name, values := range r.Header {
		for _, v := range values {
			n += len(name) + len(v) + len(": \r\n")
		}
	}
	return n
}

func (s *Server) readyz(c *gin.Context) {
	if s.ending.Load() {
		c.String(http.StatusServiceUnavailable, "not ready: the service is ending\n")
		return
	}
	ctx, cancel := context.WithTimeout(c.Request.Context(), 2*time.Second)
	defer cancel()
	if err := s.store.Ping(ctx); err != nil {
		c.Header("Retry-After", "5")
		c.String(http.StatusServiceUnavailable, "not ready: the store does not answer\n")
		return
	}
	c.String(http.StatusOK, "ready\n")
}

func (s *Server) smartConfiguration(c *gin.Context) {
	d := auth.Describe(s.verifier)
	if d.Issuer == auth.LocalIssuer {
		d.TokenEndpoint = strings.TrimSuffix(s.base, "/fhir") + tokenPath
	}
	c.JSON(http.StatusOK, d)
}

// tokenPath is the token endpoint of the local key, which SMART App Launch requires to
// be named. It grants nothing: `tidemark token` does.
const tokenPath = "/token"

func noToken(c *gin.Context) {
	c.JSON(http.StatusBadRequest, gin.H{"error": "unsupported_grant_type", "error_description": "Tokens of the local key are minted with: tidemark token. Start the service with --issuer for one that grants them here."})
}

// fhir answers one request below /fhir.
func (s *Server) fhir(c *gin.Context) {
	start := time.Now()
	ctx := propagation.TraceContext{}.Extract(c.Request.Context(), propagation.HeaderCarrier(c.Request.Header))
	ctx, span := s.tracer.Start(ctx, "FHIR "+c.Request.Method, trace.WithSpanKind(trace.SpanKindServer))
	defer span.End()
	ctx, account := s.open(ctx)
	defer account.close()
	in, err := s.readRequest(ctx, c)
	defer in.held.release()
	var a *Answer
	if err == nil {
		a, err = s.perform(ctx, in)
		err = ended(ctx, err)
	}
	a, err = s.audited(in, a, err)
	if err != nil {
		if status(err) == http.StatusMethodNotAllowed {
			c.Header("Allow", s.allowed(in))
		}
		s.fail(c, err)
	} else {
		s.write(c, in, a)
	}
	typ := in.Type
	if types[typ] == absent {
		typ = "" // a label from a caller's text would grow without bound
	}
	span.SetAttributes(attribute.String("fhir.interaction", in.audit.interaction), attribute.String("fhir.type", typ), attribute.Int("http.response.status_code", c.Writer.Status()))
	if s.charged != nil {
		s.charged(account.Spent())
	}
	if s.observe != nil {
		s.observe(in.audit.interaction, typ, c.Writer.Status(), time.Since(start))
	}
}

// allowed lists the methods of an interaction's URL.
func (s *Server) allowed(in *Interaction) string {
	switch {
	case strings.HasPrefix(in.Special, "$"):
		for _, op := range s.operations[in.Special] {
			if op.Affects {
				return "POST"
			}
		}
		return "GET, HEAD, POST"
	case in.Special == "_search":
		return "GET, HEAD, POST"
	case in.Special == "_history", in.Version != "":
		return "GET, HEAD"
	case in.Type == "":
		return "GET, HEAD, POST"
	case types[in.Type] != full:
		return "GET, HEAD"
	case in.ID != "":
		return "GET, HEAD, PUT, PATCH, DELETE"
	}
	return "GET, HEAD, POST, PUT, PATCH, DELETE"
}

// readRequest authenticates the caller and reads the request. The returned
// Interaction is never nil, so that a refusal can be audited.
func (s *Server) readRequest(ctx context.Context, c *gin.Context) (*Interaction, error) {
	r := c.Request
	in := &Interaction{Verb: r.Method, Request: c.GetString(requestKey), Address: s.address(r), Prefer: prefer(r.Header.Values("Prefer"))}
	if in.Verb == http.MethodHead {
		in.Verb = http.MethodGet
	}
	var err error
	if err = in.setPath(strings.TrimPrefix(r.URL.EscapedPath(), "/fhir")); err != nil {
		return in, err
	}
	c.Set(routeKey, s.route(in))
	if in.Who, err = s.authenticate(r); err != nil {
		return in, err
	}
	if err := s.throttle(in.Who); err != nil {
		return in, err
	}
	if in.Query, err = search.ParsePairs(r.URL.RawQuery); err != nil {
		return in, fault.New(fault.Invalid, "value", "The query of the URL cannot be read: %v", err)
	}
	in.Accept = r.Header.Get("Accept")
	if err := acceptable(r, in.Query, in.Special); err != nil {
		return in, err
	}
	in.IfMatch, in.IfNoneMatch, in.IfNoneExist = r.Header.Get("If-Match"), r.Header.Get("If-None-Match"), r.Header.Get("If-None-Exist")
	in.IfModifiedSince = parseHTTPTime(r.Header.Get("If-Modified-Since"))
	if err := in.readProvenance(r.Header.Values("X-Provenance")); err != nil {
		return in, err
	}
	return in, s.readBody(ctx, r, in)
}

// throttle refuses a caller who asks more often than one client may.
func (s *Server) throttle(who *auth.Principal) error {
	if s.limiter == nil {
		return nil
	}
	ok, wait := s.limiter(who.Subject + "|" + who.Client)
	if ok {
		return nil
	}
	e := fault.New(fault.TooMany, "throttled", "Too many requests from this client; try again in %s.", max(wait, time.Second).Round(time.Second))
	e.RetryAfter = wait
	return e
}

func (s *Server) authenticate(r *http.Request) (*auth.Principal, error) {
	if len(r.Header.Values("Authorization")) > 1 {
		return nil, fault.New(fault.Invalid, "value", "The request has several Authorization headers; send one.")
	}
	if err := s.inClear(r); err != nil {
		return nil, err
	}
	token, err := auth.BearerToken(r.Header.Get("Authorization"))
	if err != nil {
		return nil, err
	}
	return s.verifier.Verify(r.Context(), token)
}

// acceptable refuses requests for a representation that is not offered. Only
// operations offer any but JSON.
func acceptable(r *http.Request, pairs []search.Pair, operation string) error {
	if slices.ContainsFunc(pairs, asksFormat) {
		return offeredFormat(pairs, operation)
	}
	accept := strings.Join(r.Header.Values("Accept"), ",")
	if strings.TrimSpace(accept) == "" {
		return nil
	}
	for _, part := range strings.Split(accept, ",") {
		mime, params, _ := strings.Cut(part, ";")
		if v, ok := fhirVersion(params); ok && v != "4.0" {
			continue
		}
		if strings.Contains(strings.ReplaceAll(params, " ", ""), "q=0") && !strings.Contains(strings.ReplaceAll(params, " ", ""), "q=0.") {
			continue
		}
		if m := strings.ToLower(strings.TrimSpace(mime)); jsonFormat(m) || m == "*/*" || m == "application/*" || otherFormat(operation, m) {
			return nil
		}
	}
	return fault.New(fault.NotAcceptable, "not-supported", "None of the types in Accept is offered; this service speaks JSON of FHIR 4.0: application/fhir+json.")
}

func asksFormat(p search.Pair) bool { return p.Name == "_format" && p.Value != "" }

// offeredFormat refuses a _format that is not offered.
func offeredFormat(pairs []search.Pair, operation string) error {
	i := slices.IndexFunc(pairs, asksFormat)
	if i < 0 || otherFormat(operation, pairs[i].Value) {
		return nil
	}
	if operation == chartOperation {
		return fault.New(fault.NotAcceptable, "not-supported", "_format=%s is not offered; a chart is svg or png.", pairs[i].Value)
	}
	if jsonFormat(pairs[i].Value) {
		return nil
	}
	return fault.New(fault.NotAcceptable, "not-supported", "_format=%s is not offered; this service speaks JSON: application/fhir+json.", pairs[i].Value)
}

func jsonFormat(s string) bool {
	s, params, _ := strings.Cut(strings.ToLower(s), ";")
	if v, ok := fhirVersion(params); ok && v != "4.0" {
		return false
	}
	switch strings.TrimSpace(s) {
	case "json", "application/json", "application/fhir+json", "application/fhir json", "text/json":
		return true
	}
	return false
}

const chartOperation = "$chart"

// otherFormat reports whether an operation, or the files of an export, has a
// format beside FHIR's JSON. Those of an export check for themselves.
func otherFormat(operation, s string) bool {
	s = strings.ReplaceAll(strings.ToLower(s), " ", "+") // a + in a URL
	switch s {
	case "application/fhir+ndjson", "application/ndjson", "ndjson", "application/x-ndjson", "application/vnd.apache.parquet", "application/octet-stream":
		return operation == "$export" || operation == "bulk"
	case "csv":
		s = "text/csv"
	case "svg":
		s = "image/svg+xml"
	case "png":
		s = "image/png"
	}
	return s == "text/csv" && (operation == "$export" || operation == "bulk") || slices.Contains(formats[operation], s)
}

func fhirVersion(params string) (string, bool) {
	for _, p := range strings.Split(params, ";") {
		if name, v, ok := strings.Cut(strings.TrimSpace(p), "="); ok && strings.EqualFold(name, "fhirVersion") {
			return strings.Trim(v, `"`), true
		}
	}
	return "", false
}

// readBody reads what the method carries: a resource, a patch, or a form.
func (s *Server) readBody(ctx context.Context, r *http.Request, in *Interaction) error {
	switch in.Verb {
	case http.MethodPost, http.MethodPut, http.MethodPatch:
	default:
		return nil
	}
	most := s.maxBody
	if in.Type != "" && !strings.HasPrefix(in.Special, "$") { // one resource, a patch of one, or a form
		most = s.maxResource
	}
	body := io.Reader(http.MaxBytesReader(nil, r.Body, most))
	switch enc := r.Header.Get("Content-Encoding"); enc {
	case "", "identity":
	case "gzip":
		z, err := gzip.NewReader(body)
		if err != nil {
			return fault.New(fault.Invalid, "structure", "The body says gzip and is not.")
		}
		body = io.LimitReader(z, most+1)
	default:
		return fault.New(fault.Media, "not-supported", "Content-Encoding %q is not read; send gzip or none.", enc)
	}
	in.held = s.bodies.reader(body, func() error { return s.admitLarge(ctx, in) })
	data, err := io.ReadAll(in.held)
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large), int64(len(data)) > most:
		s.passOver(r)
		return fault.New(fault.TooLarge, "too-long", "The body is larger than %d bytes, the most for %s; send it in smaller parts.", most, map[bool]string{true: "a Bundle or the parameters of an operation", false: "one resource"}[most == s.maxBody])
	case errors.Is(err, os.ErrDeadlineExceeded): // of the connection, whose context ends with it
		return fault.New(fault.Invalid, "timeout", "The body did not arrive in time; nothing was done. Send it again over a faster line, or in smaller parts.")
	case r.Context().Err() != nil:
		return r.Context().Err()
	case fault.Is(err, fault.Unavailable), fault.Is(err, fault.TooMany):
		return err
	case err != nil:
		return fault.New(fault.Invalid, "incomplete", "The body ended early or could not be read.")
	}
	mime, params, _ := strings.Cut(r.Header.Get("Content-Type"), ";")
	mime = strings.ToLower(strings.TrimSpace(mime))
	if len(data) == 0 && (mime == "" || strings.HasPrefix(in.Special, "$")) {
		return nil
	}
	if v, ok := fhirVersion(params); ok && v != "4.0" {
		return fault.New(fault.Media, "not-supported", "The body is of FHIR version %s; this service reads 4.0.", v)
	}
	switch {
	case in.Form:
		if mime != formType {
			return fault.New(fault.Media, "not-supported", "A search by POST carries "+formType+".")
		}
		pairs, err := search.ParsePairs(string(data))
		if err != nil {
			return fault.New(fault.Invalid, "value", "The form cannot be read: %v", err)
		}
		in.Query = append(in.Query, pairs...)
		return nil
	case in.Verb == http.MethodPatch && mime == "application/fhir+json":
		if in.Body, err = parseBody(data); err == nil && in.Body.Str("resourceType") != "Parameters" {
			err = fault.New(fault.Media, "not-supported", "A patch in application/fhir+json is a FHIRPath Patch, a Parameters resource; send a JSON Patch as application/json-patch+json.")
		}
		return err
	case in.Verb == http.MethodPatch:
		if mime != "application/json-patch+json" {
			return fault.New(fault.Media, "not-supported", "A patch is sent as application/json-patch+json (RFC 6902), or as application/fhir+json (FHIRPath Patch).")
		}
		in.Patch = data
		n, err := parseBody(data)
		if err == nil && n.Kind != fhirjson.Array {
			err = fault.New(fault.Invalid, "structure", "A JSON Patch is an array of operations (RFC 6902).")
		}
		return err
	case mime != "application/fhir+json" && mime != "application/json" && mime != "text/json":
		return fault.New(fault.Media, "not-supported", "A body of type %q is not read; send application/fhir+json.", mime)
	}
	in.Body, err = parseBody(data)
	return err
}

// passOver reads the rest of a body that is too large, up to a limit: a client cut off
// while it sends would see a broken connection and not the answer.
func (s *Server) passOver(r *http.Request) {
	if r.Header.Get("Expect") == "" { // who asks first has sent nothing yet
		_, _ = io.CopyN(io.Discard, r.Body, 4*s.maxBody)
	}
}

// write sends an answer. Bodies are complete before the status goes out.
func (s *Server) write(c *gin.Context, in *Interaction, a *Answer) {
	h := c.Writer.Header()
	for k, v := range a.Header {
		h[k] = v
	}
	if a.Location != "" {
		h.Set("Location", a.Location)
	}
	if a.ETag != "" {
		h.Set("ETag", a.ETag)
	}
	if a.Note != "" {
		h.Set("Warning", `299 - "`+a.Note+`"`)
	}
	if !a.LastModified.IsZero() {
		h.Set("Last-Modified", a.LastModified.UTC().Format(http.TimeFormat))
	}
	if in.Prefer.Return != "" && in.Verb != http.MethodGet && a.Status < 300 && a.Status != http.StatusNoContent {
		h.Set("Preference-Applied", "return="+in.Prefer.Return)
	}
	ct := a.ContentType
	if ct == "" {
		ct = "application/fhir+json; charset=utf-8"
	}
	if a.Stream != nil {
		h.Set("Content-Type", ct)
		if err := a.Stream(c.Writer); err != nil {
			s.log.Error("stream broke off", "id", in.Request, "err", err)
			panic(http.ErrAbortHandler)
		}
		return
	}
	if a.Resource == nil {
		c.Status(a.Status)
		c.Writer.WriteHeaderNow()
		return
	}
	if len(a.Resource) > 1400 && acceptsGzip(c.Request) {
		h.Set("Content-Encoding", "gzip")
		h.Add("Vary", "Accept-Encoding")
		h.Set("Content-Type", ct)
		c.Status(a.Status)
		z := gzip.NewWriter(c.Writer)
		if _, err := z.Write(a.Resource); err == nil {
			_ = z.Close() // the client went away; there is nobody to tell
		}
		return
	}
	c.Data(a.Status, ct, a.Resource)
}

func acceptsGzip(r *http.Request) bool {
	for _, p := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(p), ";")
		if strings.TrimSpace(name) == "gzip" {
			return strings.ReplaceAll(q, " ", "") != "q=0"
		}
	}
	return false
}

// fail is the only place that writes an error.
func (s *Server) fail(c *gin.Context, err error) {
	id := c.GetString(requestKey)
	st := status(err)
	s.logFailure(&Interaction{Request: id, Verb: c.Request.Method}, st, err)
	e := fault.Of(err)
	switch st {
	case http.StatusUnauthorized:
		c.Header("WWW-Authenticate", `Bearer realm="tidemark"`)
		if c.GetHeader("Authorization") != "" {
			c.Header("WWW-Authenticate", `Bearer realm="tidemark", error="invalid_token"`)
		}
	case http.StatusForbidden:
		c.Header("WWW-Authenticate", `Bearer realm="tidemark", error="insufficient_scope"`)
	case http.StatusMethodNotAllowed:
		if c.Writer.Header().Get("Allow") == "" {
			c.Header("Allow", "GET, HEAD, POST, PUT, PATCH, DELETE")
		}
	}
	if e.RetryAfter > 0 {
		c.Header("Retry-After", fmt.Sprint(int((e.RetryAfter+time.Second-1)/time.Second)))
	} else if st == http.StatusServiceUnavailable {
		c.Header("Retry-After", "5")
	}
	if c.Writer.Written() {
		return
	}
	c.Abort()
	c.Data(st, "application/fhir+json; charset=utf-8", outcome(err, id).Bytes())
}

func (s *Server) logFailure(in *Interaction, st int, err error) {
	if st < 500 || st == http.StatusNotImplemented {
		return
	}
	s.log.Error("request failed", "id", in.Request, "status", st, "err", fault.Of(err).Cause, "text", err.Error())
}

// render is a version as clients see it. Every stored resource in an answer passes
// through it.
func (s *Server) render(v store.Version) []byte {
	raw := v.JSON()
	view := s.views[v.Type]
	if view == nil {
		return raw
	}
	n, err := fhirjson.Parse(raw)
	if err != nil { // not to be shown as it is, since it may hold a secret
		s.log.Error("stored resource cannot be read", "key", v.Key.String(), "err", err)
		return fhirjson.Obj("resourceType", v.Type, "id", v.ID).Bytes()
	}
	view(n)
	return n.Bytes()
}

// beforeWrite lets the package that uses a type check what is written.
func (s *Server) beforeWrite(ctx context.Context, in *Interaction, n, before *fhirjson.Node) error {
	if h := s.hooks[in.Type]; h != nil {
		return h(ctx, in.Who, n, before)
	}
	return nil
}

func parseHTTPTime(s string) time.Time {
	t, err := http.ParseTime(s)
	if err != nil {
		t, _ = time.Parse(time.RFC3339, s)
	}
	return t
}

func decodeBase64(s string) ([]byte, error) {
	b, err := base64.StdEncoding.DecodeString(s)
	if err != nil {
		return nil, fault.New(fault.Invalid, "value", "The data is not base64.")
	}
	return b, nil
}
