package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"tidemark/internal/auth"
)

type tokenCmd struct {
	Data    string        `help:"Data directory of the service." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	Scope   string        `help:"SMART scopes, such as \"user/Observation.crus user/Device.rs\"."`
	Role    string        `help:"Ready-made scopes of a role: ${roles}."`
	Subject string        `help:"User of the token, such as Practitioner/n1." default:"Practitioner/local"`
	Patient string        `help:"Patient in context, for patient/ scopes." placeholder:"ID"`
	TTL     time.Duration `name:"ttl" help:"How long it is valid." default:"8h"`
}

func (c *tokenCmd) Run(e *env) error {
	scope := c.Scope
	if c.Role != "" {
		s, ok := auth.RoleScope(c.Role)
		if !ok {
			return fmt.Errorf("--role %q is not known; there are %s", c.Role, strings.Join(auth.RoleNames(), ", "))
		}
		scope = strings.TrimSpace(scope + " " + s)
	}
	if scope == "" {
		return fmt.Errorf("a token needs --scope or --role (%s)", strings.Join(auth.RoleNames(), ", "))
	}
	if _, err := os.Stat(c.Data); err != nil {
		return fmt.Errorf("no data directory %s: start the service there first, or name it with --data", c.Data)
	}
	key, err := auth.OpenLocalKey(c.Data)
	if err != nil {
		return err
	}
	t, err := key.Mint(auth.TokenRequest{Subject: c.Subject, Scope: scope, Patient: c.Patient, TTL: c.TTL, Now: time.Now()})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(e.out, t)
	return err
}
