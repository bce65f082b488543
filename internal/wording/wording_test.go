package wording

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

var placeholder = regexp.MustCompile(`\{[^}]*\}`)

func TestBothLanguagesSayTheSame(t *testing.T) {
	seen := map[string]bool{}
	for _, g := range groups {
		for key, m := range g {
			if seen[key] {
				t.Errorf("%s: stands in two tables", key)
			}
			seen[key] = true
			if strings.TrimSpace(m.en) == "" || strings.TrimSpace(m.es) == "" {
				t.Errorf("%s: a language is empty", key)
			}
			en, es := placeholder.FindAllString(m.en, -1), placeholder.FindAllString(m.es, -1)
			slices.Sort(en)
			slices.Sort(es)
			if !slices.Equal(en, es) {
				t.Errorf("%s: placeholders %v and %v", key, en, es)
			}
			if strings.HasSuffix(m.en, ".") != strings.HasSuffix(m.es, ".") {
				t.Errorf("%s: only one language ends with a period", key)
			}
			if strings.Contains(m.en, "  ") || strings.Contains(m.es, "  ") {
				t.Errorf("%s: two spaces in a row", key)
			}
		}
	}
	if len(seen) < 400 || len(seen) != len(all) {
		t.Errorf("%d messages read, %d known", len(seen), len(all))
	}
}

// sourcesOf reads the code of packages of this module, without tests.
func sourcesOf(t *testing.T, dirs ...string) string {
	t.Helper()
	var all strings.Builder
	for _, dir := range dirs {
		files, err := filepath.Glob(filepath.Join("..", "..", dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("no code in %s: %v", dir, err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			all.Write(b)
		}
	}
	return all.String()
}

var codePatterns = []*regexp.Regexp{
	regexp.MustCompile(`refuse\(Err[A-Za-z]+, (?:"[^"]*"|[^,()]+), "([a-z-]+)"`),
	regexp.MustCompile(`invalid\((?:"[^"]*"|fmt\.Sprintf\([^()]*\)|[^,()]+), "([a-z-]+)"`),
	regexp.MustCompile(`Code: +"([a-z-]+)"`),
}

// Every code that the rules or the plant refuse with has its sentence in both languages.
func TestEveryRefusalHasItsWords(t *testing.T) {
	src := sourcesOf(t, "haccp", "internal/plant")
	seen := map[string]bool{"bad-value": true, "unknown-unit": true, "outside-physical-range": true, "wrong-kind": true}
	for _, p := range codePatterns {
		for _, m := range p.FindAllStringSubmatch(src, -1) {
			seen[m[1]] = true
		}
	}
	if len(seen) < 60 {
		t.Fatalf("only %d codes found: the patterns no longer fit the code", len(seen))
	}
	for code := range seen {
		if !Has("refusal." + code) {
			t.Errorf("refusal.%s is missing", code)
		}
	}
}

func TestEveryFindingHasItsWords(t *testing.T) {
	found := regexp.MustCompile(`Finding[A-Za-z]+ += "([a-z-]+)"`).FindAllStringSubmatch(sourcesOf(t, "haccp"), -1)
	if len(found) < 15 {
		t.Fatalf("only %d findings found", len(found))
	}
	for _, m := range found {
		if !Has("finding." + m[1]) {
			t.Errorf("finding.%s is missing", m[1])
		}
	}
}

func TestEveryKindHasItsWords(t *testing.T) {
	found := regexp.MustCompile(`\tKind[A-Za-z]+ += "([a-z.-]+)"`).FindAllStringSubmatch(sourcesOf(t, "haccp"), -1)
	if len(found) < 30 {
		t.Fatalf("only %d kinds found", len(found))
	}
	for _, m := range found {
		if !Has("kind." + m[1]) {
			t.Errorf("kind.%s is missing", m[1])
		}
	}
}

func TestWordsOfTheRules(t *testing.T) {
	for group, codes := range map[string][]string{
		"verdict":   {control.Inside, control.Act, control.Outside, control.NotEvaluated},
		"state":     {control.StateInside, control.StateAct, control.StateOutside, control.StateNotKnown, control.StateNotInUse},
		"due":       {haccp.DueUpcoming, haccp.DueNow, haccp.DueLate, haccp.DueMissed},
		"reason":    {control.ReasonNotMeasured, control.ReasonNoFormula, control.ReasonOverRange, control.ReasonNeedsDilution, control.ReasonNotNumber, control.ReasonNoBound, control.ReasonUnit, control.ReasonGuardBand},
		"class":     {string(plan.CCP), string(plan.OPRP), string(plan.Sanitation), string(plan.Quality)},
		"limit":     {string(plan.Critical), string(plan.Operating), string(plan.Action)},
		"part":      {plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Effectiveness, plan.Closed, haccp.PartFixOnly, haccp.PartTakenInTime},
		"say":       {plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Effectiveness, plan.Closed, haccp.PartFixOnly, haccp.PartTakenInTime},
		"role":      {haccp.RoleTechnician, haccp.RoleLineLead, haccp.RoleLaboratory, haccp.RoleManager, haccp.RoleAuditor, haccp.RoleAdministrator, haccp.RoleDevice, haccp.RoleTimetable, haccp.RoleConsole, haccp.RoleGroup},
		"known":     {haccp.KnownPassword, haccp.KnownPIN, haccp.KnownBadge, haccp.KnownPINUnproved, haccp.KnownDeviceToken, haccp.KnownTimetable, haccp.KnownImport, haccp.KnownProbe, haccp.KnownConsole, haccp.KnownGroup},
		"atknown":   {haccp.AtDevice, haccp.AtTyped, haccp.AtImported, haccp.AtServer},
		"ground":    {haccp.GroundExcursion, haccp.GroundMiss, haccp.GroundWithoutProof, haccp.GroundResult},
		"test":      {laboratory.Missing, laboratory.Pending, laboratory.Failing, laboratory.Conforming},
		"decision":  {laboratory.Conforms, laboratory.DoesNot, laboratory.NotEvaluated},
		"why":       {laboratory.WhyNone, laboratory.WhyMissing, laboratory.WhyOpen, laboratory.WhyUnit, laboratory.WhyAmount, laboratory.WhyUnfit, laboratory.WhyNoTest},
		"case":      {"deviation", "nonconformity"},
		"status":    {"open", "overdue", "closed"},
		"reopened":  {haccp.BecauseGrew, haccp.BecauseNotEffective},
		"placekind": {string(plan.Bath), string(plan.OnLine), string(plan.Table), string(plan.Machine), string(plan.Room)},
	} {
		for _, code := range codes {
			if !Has(group + "." + code) {
				t.Errorf("%s.%s is missing", group, code)
			}
		}
	}
	for _, q := range quantity.All() {
		if !Has("quantity." + string(q.ID())) {
			t.Errorf("quantity.%s is missing", q.ID())
		}
	}
}

// src: bcp47 RFC 4647 section 3.4 (lookup falls back from es-MX to es); RFC 9110 section 12.5.4 (Accept-Language).
func TestMatch(t *testing.T) {
	for wish, want := range map[string]Language{"es-MX": Spanish, "es": Spanish, "es-419,en;q=0.5": Spanish, "en-US": English,
		"fr-FR,es;q=0.4,en;q=0.2": Spanish, "": English, "!!": English, "zh": English, "en;q=0.4,es;q=0.9": Spanish} {
		if got := Match(wish); got != want {
			t.Errorf("Match(%q) = %s, want %s", wish, got, want)
		}
	}
	if got := Match("", "es", "en"); got != Spanish {
		t.Errorf("an empty wish must leave the choice to the next: %s", got)
	}
}

func TestUnknownWordsAreShownAsTheyStand(t *testing.T) {
	if got := Spanish.Word("known", "retina"); got != "retina" {
		t.Errorf("unknown word: %q", got)
	}
	if got := English.Finding(haccp.Finding{Code: "not-yet-invented"}); got != "not-yet-invented" {
		t.Errorf("unknown finding: %q", got)
	}
	if got := Spanish.Refusal(&haccp.Refusal{Code: "not-yet-invented", Message: "say this"}); got != "say this" {
		t.Errorf("unknown refusal: %q", got)
	}
}

func TestRefusalAndFinding(t *testing.T) {
	r := &haccp.Refusal{Code: "twice", Message: "the lot code \"L-1\" stands twice"}
	if got := English.Refusal(r); got != r.Message {
		t.Errorf("English keeps the message with its values: %q", got)
	}
	if got := Spanish.Refusal(r); got != "Esto aparece dos veces." {
		t.Errorf("Spanish: %q", got)
	}
	late := haccp.Finding{Code: haccp.FindingLate, Data: map[string]string{"by": "20m0s"}}
	if got := English.Finding(late); got != "received late, by 20 min" {
		t.Errorf("finding: %q", got)
	}
	if got := English.Finding(haccp.Finding{Code: haccp.FindingLate}); strings.Contains(got, "{") {
		t.Errorf("finding without data: %q", got)
	}
}

func TestLacking(t *testing.T) {
	for item, want := range map[string]string{"Blades: not inspected": "Blades: sin revisar", "Bath test at Bath 1: no test inside limits of this filling within 30 min": "Bath test at Bath 1: sin prueba dentro de límites de este llenado en 30 min", "no plan is in force": "no plan is in force"} {
		if got := Spanish.Lacking(item); got != want {
			t.Errorf("Lacking(%q) = %q, want %q", item, got, want)
		}
		if got := English.Lacking(item); got != item {
			t.Errorf("English.Lacking(%q) = %q", item, got)
		}
	}
}
