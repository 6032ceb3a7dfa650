package blackbox

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// routes lists a request for every kind of route of the FHIR base that shows
// or takes data.
func routes(b bed) [][2]string {
	return [][2]string{
		{"GET", "Patient/" + b.patient}, {"HEAD", "Patient/" + b.patient}, {"GET", "Patient"}, {"GET", "Patient?name=x"}, {"POST", "Patient/_search"},
		{"POST", "Patient"}, {"PUT", "Patient/" + b.patient}, {"PATCH", "Patient/" + b.patient}, {"DELETE", "Patient/" + b.patient},
		{"GET", "Patient/" + b.patient + "/_history"}, {"GET", "Patient/" + b.patient + "/_history/1"}, {"GET", "Patient/_history"}, {"GET", "_history"},
		{"GET", "Patient/" + b.patient + "/Observation"}, {"GET", "Patient/" + b.patient + "/$everything"}, {"GET", "Device/" + b.drain + "/$everything"},
		{"GET", "Device/" + b.drain + "/$drain-output"}, {"GET", "Device/" + b.drain + "/$escalation-status"}, {"GET", "Device/" + b.drain + "/$removal-review"},
		{"GET", "Device/" + b.drain + "/$chart"}, {"GET", "Patient/" + b.patient + "/$fluid-balance"}, {"GET", "Patient/" + b.patient + "/$escalation-status"},
		{"GET", "Location/w/$escalation-status"}, {"GET", "Location/w/$emptying-due"}, {"GET", "Location/w/$handover"}, {"POST", "DetectedIssue/x/$acknowledge"}, {"GET", "Observation/$lastn"},
		{"GET", "Observation/$stats"}, {"POST", "Observation/$validate"}, {"GET", "Patient/" + b.patient + "/$meta"}, {"POST", "Patient/" + b.patient + "/$meta-add"},
		{"GET", "$export"}, {"GET", "Patient/$export"}, {"GET", "AuditEvent"}, {"GET", "DetectedIssue"}, {"GET", "Subscription"}, {"GET", "StructureDefinition"},
		{"GET", "ValueSet/$expand"}, {"GET", "CodeSystem/$lookup"}, {"GET", "?_type=Patient"}, {"POST", ""}, {"POST", "/"}, {"GET", "Nonsense"}, {"GET", "Nonsense/1"},
		{"GET", "Patient/nobody"}, {"OPTIONS", "Patient"},
	}
}

// TestNoTokenNoData: without a token there are no data.
func TestNoTokenNoData(t *testing.T) {
	s := serve(t)
	c := s.client()
	b := c.bed("secret", ago(48*time.Hour))
	other := serve(t)
	good := s.token("--scope", "system/*.cruds")
	part := strings.Split(good, ".")
	payload, _ := base64.RawURLEncoding.DecodeString(part[1])
	swapped := base64.RawURLEncoding.EncodeToString([]byte(strings.Replace(string(payload), "Practitioner/local", "Practitioner/boss0", 1)))
	none := base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none","typ":"at+jwt"}`))
	hs := base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"HS256","typ":"at+jwt"}`))
	tokens := map[string]string{
		"no token":            "",
		"garbage":             "Bearer garbage",
		"empty bearer":        "Bearer ",
		"basic":               "Basic dXNlcjpwYXNz",
		"another service's":   "Bearer " + other.token("--scope", "system/*.cruds"),
		"changed claims":      "Bearer " + part[0] + "." + swapped + "." + part[2],
		"signature cut":       "Bearer " + part[0] + "." + part[1] + ".",
		"alg none":            "Bearer " + none + "." + part[1] + ".",
		"alg HS256":           "Bearer " + hs + "." + part[1] + "." + part[2],
		"good, but as a word": good,
	}
	for name, header := range tokens {
		t.Run(name, func(t *testing.T) {
			c := s.clientWith("").in(t)
			for _, r := range routes(b) {
				var body any
				if r[0] == "POST" || r[0] == "PUT" || r[0] == "PATCH" {
					body = obj{"resourceType": "Patient", "id": b.patient}
				}
				a := c.do(r[0], r[1], body, "Authorization", header)
				if a.status != 401 && !(r[0] == "OPTIONS" && a.status >= 400) {
					t.Errorf("%s: %d, want 401", a.what, a.status)
				}
				if a.status == 401 && !strings.HasPrefix(a.header.Get("WWW-Authenticate"), "Bearer") {
					t.Errorf("%s: 401 without WWW-Authenticate: Bearer, but %q", a.what, a.header.Get("WWW-Authenticate"))
				}
				if strings.Contains(string(a.body), "Testfall") || strings.Contains(string(a.body), "mrn-") {
					t.Errorf("%s: data without a token: %s", a.what, a.clip())
				}
			}
		})
	}
	t.Run("a token in the query is none", func(t *testing.T) {
		s.clientWith("").in(t).do("GET", "Patient?access_token="+good, nil).check(401)
	})
	t.Run("open routes", func(t *testing.T) {
		c := s.clientWith("").in(t)
		c.do("GET", "metadata", nil).check(200)
		c.do("GET", ".well-known/smart-configuration", nil).check(200)
		root := strings.TrimSuffix(s.base, "/fhir")
		for _, p := range []string{"/livez", "/readyz", "/openapi.json", "/docs", "/board"} {
			a := c.do("GET", root+p, nil)
			if a.status == 301 || a.status == 302 || a.status == 307 || a.status == 308 {
				// The address is relative, as the service may be behind a proxy's prefix.
				from, err := url.Parse(root + p)
				if err != nil {
					t.Fatal(err)
				}
				to, err := from.Parse(a.header.Get("Location"))
				if err != nil {
					t.Fatal(err)
				}
				a = c.do("GET", to.String(), nil)
			}
			a.check(200)
		}
	})
}

// TestScopes: a scope opens what it names, and no more.
func TestScopes(t *testing.T) {
	s := serve(t)
	c := s.client()
	a, b := c.bed("mine", ago(48*time.Hour)), c.bed("theirs", ago(48*time.Hour))
	oa := c.do("POST", "Observation", emptying(a, ago(time.Hour), "11", "mL")).want(201).id()
	ob := c.do("POST", "Observation", emptying(b, ago(time.Hour), "12", "mL")).want(201).id()

	t.Run("patient", func(t *testing.T) {
		p := s.clientWith(s.token("--scope", "patient/*.rs", "--patient", a.patient)).in(t)
		p.do("GET", "Patient/"+a.patient, nil).check(200)
		p.do("GET", "Observation/"+oa, nil).check(200)
		unknown := p.do("GET", "Observation/unknown", nil)
		hidden := p.do("GET", "Observation/"+ob, nil)
		if hidden.status != 404 || strings.ReplaceAll(string(hidden.body), ob, "unknown") != string(unknown.body) {
			t.Errorf("a hidden resource (%d %s) looks unlike an unknown one (%d %s)", hidden.status, hidden.body, unknown.status, unknown.body)
		}
		for _, path := range []string{"Patient/" + b.patient, "Device/" + b.drain, "Observation/" + ob + "/_history", "Observation/" + ob + "/_history/1", "Device/" + b.drain + "/$drain-output",
			"Device/" + b.drain + "/$escalation-status", "Patient/" + b.patient + "/$fluid-balance", "Patient/" + b.patient + "/$everything", "Patient/" + b.patient + "/Observation"} {
			if a := p.do("GET", path, nil); a.status != 404 && a.status != 403 {
				t.Errorf("%s: %d %s", a.what, a.status, a.clip())
			}
		}
		for _, path := range []string{"Observation", "Patient", "Device", "DeviceUseStatement", "Observation/_history", "_history", "Observation?_include=Observation:subject&_include=Observation:device",
			"Device?_revinclude=Observation:device", "Patient?_has:Observation:patient:code=" + loinc + "|9203-1", "Observation?patient=" + b.patient, "Observation?_id=" + ob,
			"Observation?device:Device.patient=" + b.patient, "Patient/" + a.patient + "/$everything", "DetectedIssue"} {
			r := p.do("GET", path, nil)
			if r.status != 200 && r.status != 403 && r.status != 404 {
				r.check(200)
			}
			if strings.Contains(string(r.body), b.patient) && !strings.Contains(path, b.patient) || strings.Contains(string(r.body), ob) && !strings.Contains(path, ob) {
				t.Errorf("%s shows the other patient: %s", r.what, r.clip())
			}
			if path == "Observation" && r.str("total") != "1" {
				t.Errorf("total tells of what is hidden: %s", r.str("total"))
			}
		}
		for _, r := range []obj{{"method": "GET", "url": "Observation/" + ob}, {"method": "GET", "url": "Patient/" + b.patient + "/$fluid-balance"}} {
			e := p.do("POST", "", obj{"resourceType": "Bundle", "type": "batch", "entry": list{obj{"request": r}}}).want(200)
			if st := e.str("entry.0.response.status"); !strings.HasPrefix(st, "404") && !strings.HasPrefix(st, "403") {
				t.Errorf("batch %v: %s", r, e.clip())
			}
		}
		p.do("POST", "Observation", emptying(a, ago(30*time.Minute), "1", "mL")).check(403)
	})
	t.Run("letters", func(t *testing.T) {
		for scope, want := range map[string]map[string]int{
			"user/Observation.r":                            {"GET Observation/" + oa: 200, "GET Observation": 403, "POST Observation": 403, "DELETE Observation/" + oa: 403, "GET Patient/mine": 403, "GET Observation/" + oa + "/_history": 200},
			"user/Observation.s":                            {"GET Observation/" + oa: 403, "GET Observation": 200, "GET Observation/" + oa + "/_history/1": 403},
			"user/Observation.c":                            {"POST Observation": 201, "GET Observation/" + oa: 403, "PUT Observation/fresh": 403},
			"user/Patient.cruds":                            {"GET Observation/" + oa: 403, "GET Patient/mine/Observation": 403, "GET Device/" + a.drain + "/$drain-output": 403},
			"user/Observation.cu?code=" + loinc + "|9203-1": {"POST Observation": 201, "POST Observation note": 403},
			"user/*.read":                                   {"GET Observation": 200, "POST Observation": 403},
		} {
			p := s.clientWith(s.token("--scope", scope)).in(t)
			for r, code := range want {
				method, path, _ := strings.Cut(r, " ")
				var body any
				switch {
				case method == "PUT":
					o := emptying(a, ago(30*time.Minute), "2", "mL")
					o["id"] = "fresh"
					body = o
				case strings.HasSuffix(path, " note"):
					path, body = "Observation", note(a.patient, "x", "", nil)
				case method == "POST":
					body = emptying(a, ago(30*time.Minute), "2", "mL")
				}
				if x := p.do(method, path, body, "Prefer", "return=minimal"); x.status != code {
					t.Errorf("%s with %s: %d, want %d %s", x.what, scope, x.status, code, x.clip())
				}
			}
		}
	})
	t.Run("every access is audited, refused ones too", func(t *testing.T) {
		c := c.in(t)
		s.clientWith(s.token("--scope", "user/Patient.r", "--subject", "Practitioner/curious")).in(t).do("GET", "Observation/"+oa, nil).check(403)
		found := false
		for range 40 {
			for _, e := range c.do("GET", "AuditEvent?_count=100", nil).want(200).list("entry") {
				found = found || strings.Contains(fmt.Sprint(e), "curious") && text(e, "resource.outcome") != "0"
			}
			if found {
				return
			}
		}
		t.Error("the refused read left no AuditEvent")
	})
}

// issuer is a token issuer of our own, written with the standard library only.
type issuer struct {
	key *ecdsa.PrivateKey
}

func (i issuer) jwks() []byte {
	pub, err := i.key.PublicKey.Bytes() // 4 | x | y
	if err != nil {
		panic(err)
	}
	b64 := base64.RawURLEncoding.EncodeToString
	b, _ := json.Marshal(obj{"keys": list{obj{"kty": "EC", "crv": "P-256", "use": "sig", "alg": "ES256", "kid": "k1", "x": b64(pub[1:33]), "y": b64(pub[33:])}}})
	return b
}

// mint signs claims; alg is what the header says.
func (i issuer) mint(alg, kid string, claims obj) string {
	part := func(v any) string {
		b, _ := json.Marshal(v)
		return base64.RawURLEncoding.EncodeToString(b)
	}
	text := part(obj{"alg": alg, "kid": kid, "typ": "at+jwt"}) + "." + part(claims)
	sum := sha256.Sum256([]byte(text))
	sig := make([]byte, 64)
	switch alg {
	case "HS256": // with the public key as the secret
		m := hmac.New(sha256.New, i.jwks())
		m.Write([]byte(text))
		sig = m.Sum(nil)
	case "none":
		sig = nil
	default:
		r, s, err := ecdsa.Sign(rand.Reader, i.key, sum[:])
		if err != nil {
			panic(err)
		}
		r.FillBytes(sig[:32])
		s.FillBytes(sig[32:])
	}
	return text + "." + base64.RawURLEncoding.EncodeToString(sig)
}

// TestIssuer: tokens of a real issuer: signature, iss, aud, exp, nbf, alg.
func TestIssuer(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	iss := issuer{key}
	stranger, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	file := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(file, iss.jwks(), 0o600); err != nil {
		t.Fatal(err)
	}
	s := serve(t, "--jwks", file, "--issuer", "https://issuer.example.org", "--audience", "https://drains.example.org/fhir")
	claims := func(change obj) obj {
		c := obj{"iss": "https://issuer.example.org", "aud": "https://drains.example.org/fhir", "sub": "n1", "scope": "system/*.cruds",
			"iat": time.Now().Unix(), "exp": time.Now().Add(time.Hour).Unix()}
		for k, v := range change {
			if c[k] = v; v == nil {
				delete(c, k)
			}
		}
		return c
	}
	for _, tc := range []struct {
		name  string
		token string
		want  int
	}{
		{"good", iss.mint("ES256", "k1", claims(nil)), 200},
		{"audience in a list", iss.mint("ES256", "k1", claims(obj{"aud": list{"x", "https://drains.example.org/fhir"}})), 200},
		{"another audience", iss.mint("ES256", "k1", claims(obj{"aud": "https://elsewhere.example.org"})), 401},
		{"no audience", iss.mint("ES256", "k1", claims(obj{"aud": nil})), 401},
		{"another issuer", iss.mint("ES256", "k1", claims(obj{"iss": "https://evil.example.org"})), 401},
		{"no issuer", iss.mint("ES256", "k1", claims(obj{"iss": nil})), 401},
		{"expired", iss.mint("ES256", "k1", claims(obj{"exp": time.Now().Add(-time.Minute).Unix()})), 401},
		{"without exp", iss.mint("ES256", "k1", claims(obj{"exp": nil})), 401},
		{"not yet", iss.mint("ES256", "k1", claims(obj{"nbf": time.Now().Add(10 * time.Minute).Unix()})), 401},
		{"unknown kid", iss.mint("ES256", "k2", claims(nil)), 401},
		{"a stranger's key", issuer{stranger}.mint("ES256", "k1", claims(nil)), 401},
		{"alg none", iss.mint("none", "k1", claims(nil)), 401},
		{"HS256 with the public key", iss.mint("HS256", "k1", claims(nil)), 401},
		{"alg of another kind of key", iss.mint("RS256", "k1", claims(nil)), 401},
		{"no scope", iss.mint("ES256", "k1", claims(obj{"scope": nil})), 403},
		{"patient scope without a patient", iss.mint("ES256", "k1", claims(obj{"scope": "patient/*.cruds"})), 403},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a := s.clientWith(tc.token).in(t).do("GET", "Patient", nil)
			if a.status != tc.want && !(tc.want == 403 && a.status == 401) {
				t.Errorf("%d, want %d: %s", a.status, tc.want, a.clip())
			}
		})
	}
}
