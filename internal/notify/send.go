package notify

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/remitly-oss/httpsig-go"

	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Headers that every delivery carries.
const (
	sequenceHeader     = "Tidemark-Sequence"     // place of the change in the feed
	subscriptionHeader = "Tidemark-Subscription" // id of the Subscription
	numberHeader       = "Tidemark-Event-Number" // of the deliveries of this Subscription
)

// Reason says why a delivery failed. Logs, metrics and Subscription.error say no more,
// since the errors of net/http quote the URL.
type Reason string

// The reasons.
const (
	Delivered   Reason = ""
	Stopped     Reason = "stopped"     // by us, before an answer came
	Timeout     Reason = "timeout"     // no answer in time
	Connection  Reason = "connection"  // refused, reset or closed
	Lookup      Reason = "lookup"      // the name does not resolve
	Certificate Reason = "certificate" // TLS does not hold
	Address     Reason = "address"     // resolved to an address that is not allowed
	Redirect    Reason = "redirect"    // 3xx; redirects are not followed
	Refused     Reason = "refused"     // 4xx
	Failing     Reason = "failing"     // 5xx, or what is no final answer
	Defect      Reason = "defect"      // ours
)

// words says it to the owner of the subscription.
func (r Reason) words() string {
	switch r {
	case Timeout:
		return "the receiver did not answer in time"
	case Connection:
		return "no connection to the receiver could be made or kept"
	case Lookup:
		return "the receiver's name could not be resolved"
	case Certificate:
		return "the receiver's certificate was not accepted"
	case Address:
		return "the receiver's name resolves to an address that is not allowed"
	case Redirect:
		return "the receiver answered with a redirect, which is not followed"
	}
	if r == Defect {
		return "the service failed to send it"
	}
	return "the receiver answered with an error"
}

// answered reports whether the receiver was there.
func (r Reason) answered() bool { return r == Redirect || r == Refused || r == Failing }

// final reports whether the receiver refused this delivery itself.
func (o outcome) final() bool {
	switch o.status {
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests, http.StatusUnauthorized, http.StatusForbidden:
		return false
	}
	return o.reason == Refused
}

// away reports whether nobody was there, or a gateway or the receiver said so; anything
// else concerns this delivery only.
func (o outcome) away() bool {
	switch o.status {
	case http.StatusTooManyRequests, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return true
	}
	return !o.reason.answered() && o.reason != Defect
}

// outcome is the result of one attempt.
type outcome struct {
	reason Reason
	status int           // of the answer, 0 without one
	wait   time.Duration // Retry-After
}

// sender makes the requests.
type sender struct {
	client  *http.Client
	timeout time.Duration
	base    string // of our own /fhir
}

func newSender(t Targets, o Options) *sender {
	rt := o.transport
	if rt == nil {
		rt = &http.Transport{
			// No Proxy: it would connect in place of the service, past dial's check.
			DialContext:            t.dial,
			TLSClientConfig:        o.TLS.Clone(),
			TLSHandshakeTimeout:    5 * time.Second,
			ForceAttemptHTTP2:      true,
			MaxIdleConnsPerHost:    inFlight,
			IdleConnTimeout:        90 * time.Second,
			MaxResponseHeaderBytes: 64 << 10,
		}
	}
	return &sender{timeout: o.Timeout, base: strings.TrimSuffix(o.BaseURL, "/"), client: &http.Client{
		Transport:     rt,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// delivery is one change to be sent.
type delivery struct {
	store.Version
	number int64
	beside []store.Version // payload withContext
	notice []byte          // of a topic
}

// send delivers one change.
func (s *sender) send(ctx context.Context, sub *subscription, v delivery) outcome {
	limited, cancel := context.WithTimeout(ctx, cmp.Or(sub.timeout, s.timeout))
	defer cancel()
	req, err := s.request(limited, sub, v)
	if err != nil {
		return outcome{reason: Connection}
	}
	resp, err := s.client.Do(req)
	if err != nil {
		return outcome{reason: reasonOf(ctx, err)}
	}
	defer resp.Body.Close()
	// Read a little, so that the connection can be used again.
	_, _ = io.CopyN(io.Discard, resp.Body, 64<<10)
	o := outcome{status: resp.StatusCode}
	switch {
	case o.status >= 200 && o.status < 300:
		return o
	case o.status >= 300 && o.status < 400:
		o.reason = Redirect
	case o.status >= 400 && o.status < 500:
		o.reason = Refused
	default:
		o.reason = Failing
	}
	o.wait = retryAfter(resp.Header.Get("Retry-After"))
	return o
}

func (s *sender) request(ctx context.Context, sub *subscription, v delivery) (*http.Request, error) {
	method, url, body := http.MethodPost, sub.endpoint.String(), v.notice
	switch sub.payload {
	case idOnly:
		body = s.bundle(v.Version)
	case withContext:
		if body = s.collection(v); v.Deleted() {
			body = s.bundle(v.Version)
		}
	case full:
		url = sub.endpoint.JoinPath(v.Type, v.ID).String()
		if method = http.MethodPut; v.Deleted() {
			method = http.MethodDelete
		} else {
			body = v.JSON()
		}
	}
	req, err := http.NewRequestWithContext(ctx, method, url, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	for name, values := range sub.header {
		req.Header[name] = values
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/fhir+json; charset=utf-8")
	}
	if req.Header.Get("User-Agent") == "" {
		req.Header.Set("User-Agent", "tidemark")
	}
	req.Header.Set(sequenceHeader, strconv.FormatInt(v.Seq, 10))
	req.Header.Set(subscriptionHeader, sub.id)
	req.Header.Set(numberHeader, strconv.FormatInt(v.number, 10))
	if sub.secret != nil {
		err = httpsig.Sign(req, signing, httpsig.SigningKey{Secret: sub.secret, MetaKeyID: sub.id})
	}
	return req, err
}

// signing is what a signature covers (RFC 9421): to whom, what, and which of the
// deliveries. A receiver whose proxy changes the host verifies with the old one.
var signing = httpsig.SigningProfile{
	Algorithm: httpsig.Algo_HMAC_SHA256, Digest: httpsig.DigestSHA256, Label: "tidemark",
	Fields:   httpsig.Fields("@method", "@authority", "@path", "content-digest", sequenceHeader, subscriptionHeader, numberHeader),
	Metadata: []httpsig.Metadata{httpsig.MetaCreated, httpsig.MetaKeyID, httpsig.MetaAlgorithm},
}

// collection is a change with its context.
func (s *sender) collection(v delivery) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `{"resourceType":"Bundle","type":"collection","timestamp":%q,"entry":[`, fhirdate.Format(v.At))
	for i, r := range append([]store.Version{v.Version}, v.beside...) {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"fullUrl":%q,"resource":%s}`, s.base+"/"+r.Key.String(), r.JSON())
	}
	b.WriteString("]}")
	return b.Bytes()
}

// bundle names a change without its content.
func (s *sender) bundle(v store.Version) []byte {
	url, status := v.Key.String(), "200"
	if v.Method == store.Post {
		url = v.Type
	}
	switch {
	case v.Deleted():
		status = "204"
	case v.Number == 1:
		status = "201"
	}
	return fhirjson.Obj(
		"resourceType", "Bundle", "type", "history", "timestamp", fhirdate.Format(v.At),
		"entry", []*fhirjson.Node{fhirjson.Obj(
			"fullUrl", s.base+"/"+v.Key.String(),
			"request", fhirjson.Obj("method", string(v.Method), "url", url),
			"response", fhirjson.Obj("status", status, "etag", `W/"`+strconv.FormatInt(v.Number, 10)+`"`, "lastModified", fhirdate.Format(v.At)),
		)},
	).Bytes()
}

// reasonOf sorts a transport error; ctx is the one that only we end.
func reasonOf(ctx context.Context, err error) Reason {
	var dns *net.DNSError
	var timeout net.Error
	var verify *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var alert tls.AlertError
	var host x509.HostnameError
	switch {
	case ctx.Err() != nil:
		return Stopped
	case errors.Is(err, errAddress):
		return Address
	case errors.As(err, &verify), errors.As(err, &record), errors.As(err, &alert), errors.As(err, &host):
		return Certificate
	case errors.As(err, &dns) && !dns.IsTimeout:
		return Lookup
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return Timeout
	}
	return Connection
}

func retryAfter(text string) time.Duration {
	if n, err := strconv.Atoi(text); err == nil && n > 0 && n < 1<<20 {
		return time.Duration(n) * time.Second
	}
	if t, err := http.ParseTime(text); err == nil {
		return max(0, time.Until(t))
	}
	return 0
}
