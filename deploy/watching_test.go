// Package deploy holds what Lectern is installed and watched with; only these files'
// tests are Go.
package deploy

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// dashboard is what the test needs of deploy/dashboard/lectern.json.
type dashboard struct {
	Title         string
	SchemaVersion int
	Templating    struct {
		List []struct{ Name, Type string }
	}
	Panels []struct {
		ID                       int
		Type, Title, Description string
		GridPos                  struct{ H, W, X, Y int }
		Datasource               struct{ UID string }
		Targets                  []struct{ Expr, RefID string }
	}
}

// TestAlerts has Prometheus' own tool read the alert rules and run their unit tests.
func TestAlerts(t *testing.T) {
	promtool(t, "prometheus", "check", "rules", "lectern-alerts.yml")
	promtool(t, "prometheus", "test", "rules", "lectern-alerts-test.yml")

	rules, tests := read(t, "prometheus/lectern-alerts.yml"), read(t, "prometheus/lectern-alerts-test.yml")
	alerts := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(rules, -1)
	if len(alerts) == 0 {
		t.Fatal("there are no alerts")
	}
	for _, a := range alerts {
		fires := regexp.MustCompile(`alertname: ` + a[1] + `\n\s+exp_alerts:`)
		quiet := regexp.MustCompile(`alertname: ` + a[1] + `}`)
		if !fires.MatchString(tests) || !quiet.MatchString(tests) {
			t.Errorf("%s is not tested both ways: that it fires, and that it does not", a[1])
		}
	}
}

// TestMetricsKnown holds the alerts and the dashboard to the metrics there are, and has
// every metric used in one of them, or it would be told for nobody.
func TestMetricsKnown(t *testing.T) {
	known := map[string]bool{}
	for line := range strings.Lines(read(t, "prometheus/metrics.txt")) {
		if fields := strings.Fields(line); len(fields) > 0 && fields[0] != "#" {
			known[fields[0]] = false
		}
	}
	exprs := strings.Join(append(alertExprs(t), dashboardExprs(t)...), "\n")
	for _, name := range regexp.MustCompile(`\b(lectern|process|go|node)_\w+`).FindAllString(exprs, -1) {
		if _, ok := known[name]; !ok {
			t.Errorf("%s is asked for, and metrics.txt has no such metric", name)
		}
		known[name] = true
	}
	for name, used := range known {
		if !used && strings.HasPrefix(name, "lectern_") {
			t.Errorf("%s is in neither an alert nor the dashboard", name)
		}
	}
}

// TestDashboard looks at the dashboard's form, and has promtool read its every query as
// if it were a rule.
func TestDashboard(t *testing.T) {
	d := readDashboard(t)
	if d.Title == "" || d.SchemaVersion == 0 {
		t.Error("the dashboard has no title or no schemaVersion")
	}
	if !slices.ContainsFunc(d.Templating.List, func(v struct{ Name, Type string }) bool {
		return v.Name == "datasource" && v.Type == "datasource"
	}) {
		t.Error("the dashboard does not let one choose the data source")
	}
	const columns = 24 // of a dashboard's grid
	taken := map[[2]int]string{}
	for _, p := range d.Panels {
		if p.Type != "stat" && p.Type != "timeseries" {
			t.Errorf("panel %q is a %s", p.Title, p.Type)
		}
		if p.Title == "" || p.Description == "" || len(p.Targets) == 0 || p.Datasource.UID != "${datasource}" {
			t.Errorf("panel %d %q lacks a title, a description, a query or the chosen data source", p.ID, p.Title)
		}
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other := taken[[2]int{x, y}]; other != "" || x >= columns {
					t.Fatalf("panel %q lies over %q or beyond the edge", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
	}
	var rules strings.Builder
	rules.WriteString("groups:\n- name: dashboard\n  rules:\n")
	for i, expr := range dashboardExprs(t) {
		expr = strings.ReplaceAll(expr, "$workspace", "marsh|verrall") // as it is when two are chosen
		quoted, err := json.Marshal(expr)                              // a JSON string is a YAML one
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&rules, "  - {record: 'panel:%d', expr: %s}\n", i, quoted)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "queries.yml"), []byte(rules.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	promtool(t, dir, "check", "rules", "queries.yml")
}

func promtool(t *testing.T, dir string, args ...string) {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed; it comes with Prometheus")
	}
	cmd := exec.Command(path, args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	t.Logf("promtool %s:\n%s", strings.Join(args, " "), out)
}

func read(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func readDashboard(t *testing.T) (d dashboard) {
	t.Helper()
	if err := json.Unmarshal([]byte(read(t, "dashboard/lectern.json")), &d); err != nil {
		t.Fatalf("read the dashboard: %v", err)
	}
	return d
}

func dashboardExprs(t *testing.T) (exprs []string) {
	d := readDashboard(t)
	for _, p := range d.Panels {
		for _, target := range p.Targets {
			exprs = append(exprs, target.Expr)
		}
	}
	return exprs
}

// alertExprs are the lines from each expr: up to the next key.
func alertExprs(t *testing.T) (exprs []string) {
	rules := read(t, "prometheus/lectern-alerts.yml")
	for _, m := range regexp.MustCompile(`(?s)expr: (.*?)\n\s+(?:for|labels): `).FindAllStringSubmatch(rules, -1) {
		exprs = append(exprs, m[1])
	}
	return exprs
}
