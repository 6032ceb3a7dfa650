// Command gen writes the OpenAPI document of the service as this source
// tree has it: gen FILE.
package main

import (
	"fmt"
	"os"

	"tidemark/api"
	"tidemark/internal/profile"
	"tidemark/openapi"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run() error {
	if len(os.Args) != 2 {
		return fmt.Errorf("usage: gen FILE")
	}
	lib, err := profile.New()
	if err != nil {
		return err
	}
	src, err := api.Describe(lib)
	if err != nil {
		return err
	}
	doc, err := openapi.Document(src)
	if err != nil {
		return err
	}
	return os.WriteFile(os.Args[1], doc, 0o644)
}
