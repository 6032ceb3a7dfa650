package main

import (
	"errors"
	"fmt"
	"strings"

	"tidemark/internal/policy"
)

type policyCmd struct {
	Check  policyCheck  `cmd:"" help:"Say whether a policy file is good."`
	Show   policyShow   `cmd:"" help:"Print the policy in effect, with units and sources."`
	Schema policySchema `cmd:"" help:"Print the JSON Schema for editors."`
	Replay policyReplay `cmd:"" help:"Run a policy, or two side by side, over entries as they were charted, and count what it would have announced."`
}

type policyCheck struct {
	File string `arg:"" help:"Policy file (YAML)."`
}

func (c *policyCheck) Run(e *env) error {
	p, err := policy.Load(c.File)
	var fe *policy.FileError
	if errors.As(err, &fe) {
		for _, f := range fe.Faults {
			fmt.Fprintln(e.err, f)
		}
		return fmt.Errorf("%s has %d faults", c.File, len(fe.Faults))
	}
	if err != nil {
		return err
	}
	approved := p.Approved()
	if approved == "" {
		approved = "not approved: an example only"
	}
	_, err = fmt.Fprintf(e.out, "%s is good: version %s, %s\n", c.File, p.Version(), approved)
	if examples := p.Examples(); err == nil && len(examples) > 0 {
		_, err = fmt.Fprintf(e.out, "It leaves %d settings to the examples that the service ships with: %s\n", len(examples), strings.Join(examples, ", "))
	}
	return err
}

type policyShow struct {
	Policy string `help:"Policy file; without one, the defaults." type:"path" placeholder:"FILE"`
}

func (c *policyShow) Run(e *env) error {
	p := policy.Default()
	if c.Policy != "" {
		var err error
		if p, err = policy.Load(c.Policy); err != nil {
			return err
		}
	}
	_, err := e.out.Write(p.YAML())
	return err
}

type policySchema struct{}

func (policySchema) Run(e *env) error {
	_, err := e.out.Write(policy.Schema())
	return err
}
