package auth

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
)

// Roles map what an issuer says of a person to the ready-made roles, for issuers
// that give out no SMART scopes. A token that has scopes keeps to them.
type Roles struct {
	Claim string            `yaml:"claim"` // where the issuer's groups stand: a name, or a path such as realm_access.roles
	Of    map[string]string `yaml:"roles"` // group to role
}

// LoadRoles reads such a file. An error says what to change.
func LoadRoles(file string) (*Roles, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("--claims %s cannot be read (%w)", file, err)
	}
	var r Roles
	if err := yaml.UnmarshalWithOptions(data, &r, yaml.Strict()); err != nil {
		return nil, fmt.Errorf("--claims %s: %s", file, strings.ReplaceAll(err.Error(), "\n", " "))
	}
	if r.Claim == "" || len(r.Of) == 0 {
		return nil, fmt.Errorf("--claims %s: give claim, the name of the claim with the issuer's groups, and roles, a line GROUP: ROLE for each", file)
	}
	for group, role := range r.Of {
		if _, ok := RoleScope(role); !ok {
			return nil, fmt.Errorf("--claims %s: %s is mapped to the role %q; there are %s", file, group, role, strings.Join(RoleNames(), ", "))
		}
	}
	return &r, nil
}

var errClaim = errors.New("the claim is neither a string nor a list of strings")

// scopes are those of the roles of the groups in a payload, "" for none.
func (r *Roles) scopes(payload []byte) (string, error) {
	if r == nil {
		return "", nil
	}
	at := json.RawMessage(payload)
	for name := range strings.SplitSeq(r.Claim, ".") {
		var in map[string]json.RawMessage
		if err := json.Unmarshal(at, &in); err != nil {
			return "", errClaim
		}
		if at = in[name]; at == nil {
			return "", nil
		}
	}
	var groups words
	if err := groups.UnmarshalJSON(at); err != nil {
		return "", errClaim
	}
	var roles, scopes []string
	for _, g := range groups {
		if role, ok := r.Of[g]; ok && !slices.Contains(roles, role) {
			scope, _ := RoleScope(role)
			roles, scopes = append(roles, role), append(scopes, scope)
		}
	}
	return strings.Join(scopes, " "), nil
}
