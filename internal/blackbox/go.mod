module tidemark/internal/blackbox

go 1.26.0

ignore ./node_modules

require (
	github.com/google/fhir/go v0.7.4
	github.com/rogpeppe/go-internal v1.14.1
	github.com/santhosh-tekuri/jsonschema/v6 v6.0.3
)

require (
	bitbucket.org/creachadair/stringset v0.0.9 // indirect
	github.com/golang/protobuf v1.5.4 // indirect
	github.com/json-iterator/go v1.1.10 // indirect
	github.com/modern-go/concurrent v0.0.0-20180306012644-bacd9c7ef1dd // indirect
	github.com/modern-go/reflect2 v1.0.1 // indirect
	github.com/onsi/ginkgo v1.16.5 // indirect
	github.com/onsi/gomega v1.44.0 // indirect
	github.com/pkg/errors v0.9.1 // indirect
	github.com/serenize/snaker v0.0.0-20201027110005-a7ad2135616e // indirect
	github.com/stretchr/testify v1.5.1 // indirect
	golang.org/x/sys v0.44.0 // indirect
	golang.org/x/text v0.38.0 // indirect
	golang.org/x/tools v0.45.0 // indirect
	google.golang.org/protobuf v1.36.12 // indirect
)

exclude vitess.io/vitess v0.7.0
