package metrics

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"go.yaml.in/yaml/v3"
)

const deployed = "../../deploy/prometheus/"

func deployedFile(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(deployed + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

var fullName = regexp.MustCompile(`fqName: "(\w+)"`)

func nameOf(d *prometheus.Desc) string { return fullName.FindStringSubmatch(d.String())[1] }

// A rule that names a metric which nothing exports is silent for ever; promtool
// cannot know.
func TestRulesNameWhatIsExported(t *testing.T) {
	exported := map[string]bool{}
	for _, d := range descriptions {
		exported[nameOf(d)] = true
	}
	for _, file := range []string{"glueline.rules.yaml", "glueline.test.yaml"} {
		used := regexp.MustCompile(`\bglueline_\w+`).FindAllString(deployedFile(t, file), -1)
		if len(used) < 10 {
			t.Fatalf("%s names only %d metrics: the check looks at the wrong thing", file, len(used))
		}
		for _, name := range used {
			if !exported[name] {
				t.Errorf("%s: %s, which nothing exports", file, name)
			}
		}
	}
}

// Each alert says what to do, and is seen firing in the rules' tests.
func TestAlertsSayWhatToDo(t *testing.T) {
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert       string
				Labels      map[string]string
				Annotations map[string]string
			}
		}
	}
	if err := yaml.Unmarshal([]byte(deployedFile(t, "glueline.rules.yaml")), &rules); err != nil {
		t.Fatal(err)
	}
	tests, alerts := deployedFile(t, "glueline.test.yaml"), 0
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			if r.Alert == "" {
				continue
			}
			alerts++
			if len(r.Annotations["action"]) < 40 || r.Annotations["summary"] == "" || r.Labels["severity"] == "" {
				t.Errorf("%s does not say what happened, what to do or how bad it is", r.Alert)
			}
			if !strings.Contains(tests, `alertname="`+r.Alert+`", alertstate="firing"`) {
				t.Errorf("%s is not seen firing in any test", r.Alert)
			}
		}
	}
	if alerts == 0 {
		t.Fatal("no alert was read")
	}
}

// The list for people has every metric with its type and help, and no other.
func TestMetricsAreListed(t *testing.T) {
	document := deployedFile(t, "README.md")
	listed := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(\\w+)` \\|").FindAllStringSubmatch(document, -1) {
		listed[m[1]] = true
	}
	for _, d := range descriptions {
		if !listed[nameOf(d)] {
			t.Errorf("README.md does not list %s", nameOf(d))
		}
		delete(listed, nameOf(d))
	}
	for name := range listed {
		t.Errorf("README.md lists %s, which nothing exports", name)
	}
}
