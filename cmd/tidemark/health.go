package main

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// healthCmd asks a running service for /readyz, for images that have no shell
// and no curl.
type healthCmd struct {
	URL     string        `name:"url" help:"Where the service listens." default:"http://127.0.0.1:8080" placeholder:"URL"`
	Timeout time.Duration `help:"How long the answer may take." default:"5s"`
}

func (c *healthCmd) Run(e *env) error {
	client := http.Client{Timeout: c.Timeout}
	answer, err := client.Get(strings.TrimSuffix(c.URL, "/") + "/readyz")
	if err != nil {
		return &exit{1, fmt.Errorf("not ready: %w", err)}
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(io.LimitReader(answer.Body, 1<<10))
	if err != nil {
		return &exit{1, fmt.Errorf("not ready: %w", err)}
	}
	if answer.StatusCode != http.StatusOK {
		return &exit{1, fmt.Errorf("not ready: %s %s", answer.Status, strings.TrimSpace(string(body)))}
	}
	_, err = fmt.Fprintln(e.out, "ready")
	return err
}
