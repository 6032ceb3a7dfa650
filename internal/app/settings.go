package app

import (
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"strings"
)

// check refuses settings that cannot work, each with what to change.
func (cfg *Config) check() error {
	if cfg.BoardClient != "" && cfg.Issuer == "" {
		return errors.New("--board-client names the ward page at an issuer: give --issuer too")
	}
	if (cfg.TLSCert == "") != (cfg.TLSKey == "") {
		return errors.New("TLS needs both --tls-cert and --tls-key")
	}
	if cfg.Audience != "" && cfg.Issuer == "" && cfg.JWKS == "" {
		return errors.New("--audience says for whom an issuer's tokens are: give --issuer or --jwks too, or leave it out")
	}
	if cfg.Claims != "" && cfg.Issuer == "" && cfg.JWKS == "" {
		return errors.New("--claims maps the groups of an issuer: give --issuer or --jwks too")
	}
	if cfg.BaseURL != "" {
		u, err := url.Parse(cfg.BaseURL)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.ForceQuery || u.Fragment != "" {
			return fmt.Errorf("--base-url %q is not the URL of a service: give scheme, host and where there is one the path, such as https://drains.hospital.example", cfg.BaseURL)
		}
		if strings.HasSuffix(strings.TrimSuffix(u.Path, "/"), "/fhir") {
			return fmt.Errorf("--base-url %q ends with /fhir, which is added: leave it out", cfg.BaseURL)
		}
	}
	for _, o := range cfg.Origins {
		u, err := url.Parse(o)
		if o == "*" {
			return errors.New("--allow-origin * would let any page that a nurse opens ask with her token: name the origins")
		}
		if err != nil || u.Scheme == "" || u.Host == "" || o != u.Scheme+"://"+u.Host {
			return fmt.Errorf("--allow-origin %q is not an origin: give scheme, host and port alone, such as https://charting.hospital.example", o)
		}
	}
	_, err := cfg.trusted()
	return err
}

// trusted are the proxies whose X-Forwarded-For and X-Forwarded-Proto are believed.
func (cfg *Config) trusted() ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, text := range cfg.Proxies {
		p, err := netip.ParsePrefix(text)
		if a, e := netip.ParseAddr(text); e == nil {
			p, err = a.Prefix(a.BitLen())
		}
		if err != nil {
			return nil, fmt.Errorf("--trusted-proxy %q is neither an address nor a network such as 10.1.2.0/24", text)
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// prefix is the path of --base-url, "" for none.
func (cfg *Config) prefix() string {
	u, err := url.Parse(cfg.BaseURL)
	if err != nil {
		return ""
	}
	return strings.TrimSuffix(u.Path, "/")
}
