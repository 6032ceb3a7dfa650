package api_test

import (
	"strings"
	"testing"
)

// TestPictureFormats: a chart is SVG or PNG, by _format or Accept, and nothing
// else; what has no picture or table refuses them.
func TestPictureFormats(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	for _, c := range []struct {
		path, accept string
		status       int
		begins       string
	}{
		{"Device/da/$chart", "", 200, "<?xml"}, {"Device/da/$chart?_format=svg", "", 200, "<?xml"}, {"Device/da/$chart?_format=image/svg%2Bxml", "", 200, "<?xml"}, {"Device/da/$chart?_format=image/svg+xml", "", 200, "<?xml"},
		{"Device/da/$chart?_format=png", "", 200, "\x89PNG"}, {"Device/da/$chart?_format=image/png", "", 200, "\x89PNG"}, {"Device/da/$chart", "image/png", 200, "\x89PNG"}, {"Device/da/$chart?_format=svg", "image/png", 200, "<?xml"},
		{"Device/da/$chart?_format=jpeg", "", 406, ""}, {"Device/da/$chart?_format=json", "", 406, ""}, {"Device/da/$chart", "image/jpeg", 406, ""}, {"Device/da/$chart?_format=csv", "", 406, ""},
		{"Device/da/$drain-output?_format=svg", "", 406, ""}, {"Device/da/$drain-output?_format=csv", "", 200, "code,"}, {"Location/w/$handover?_format=png", "", 406, ""}, {"Location/w/$handover?_format=csv", "", 200, "bed,"}, {"Device/da?_format=png", "", 406, ""},
	} {
		var header []string
		if c.accept != "" {
			header = []string{"Accept", c.accept}
		}
		status, _, body := f.do("GET", "/fhir/"+c.path, all, "", header...)
		if status != c.status || !strings.HasPrefix(body, c.begins) {
			t.Errorf("%s %q: %d %.40q, want %d %q", c.path, c.accept, status, body, c.status, c.begins)
		}
	}
}
