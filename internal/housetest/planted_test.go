package housetest

import (
	"fmt"
	"maps"
	"strings"
	"testing"
	"testing/fstest"
)

// A planting changes the clean tree in one place. An empty want says that the
// rule must still find nothing; otherwise it must find exactly one thing.
type planting struct {
	name  string
	files map[string]string
	want  string
}

// clean is a small tree in which every rule holds.
var clean = map[string]string{
	".gitignore": "# left behind\n/demo-data/\n*.db\n",
	"go.mod":     "module linewarden\n",
	"README.md":  "Run `go run ./cmd/linewarden demo --data DIR`; the rules are in `haccp/`.\n",
	"DEVELOPERS.md": "Set `LINEWARDEN_TEST_MONGODB`.\n\n```\n.ci/run\ngo test ./internal/record/... # the log\n" +
		"linewarden plan check FILE\n```\n",
	".ci/run":    "#!/bin/sh\necho ${LINEWARDEN_TEST_MONGODB}\n",
	"haccp/a.go": "// Package haccp decides.\npackage haccp\n\nimport \"strings\"\n\n// Limit is one. \nvar Limit = strings.ToLower(\"1\") // src: ab-1 table 2\n",
	"haccp/b_test.go": "package haccp\n\nimport (\n\t\"os\"\n\t\"time\"\n)\n\nvar _, _ = os.Getwd, time.Now\n\n" +
		"const table = \"ab-1/one.csv\"\n",
	"internal/record/record.go":           "// Package record keeps.\npackage record\n",
	"internal/record/recordtest/suite.go": "// Package recordtest tests.\npackage recordtest\n\nimport _ \"testing\"\n",
	"internal/sqlitestore/store.go": "// Package sqlitestore stores.\npackage sqlitestore\n\n" +
		"import (\n\t_ \"linewarden/internal/record\"\n\n\t_ \"modernc.org/sqlite\"\n)\n",
	"internal/plant/plant.go": "// Package plant writes.\npackage plant\n\nimport (\n\t_ \"time\"\n\n\t_ \"linewarden/haccp\"\n)\n",
	"internal/app/app.go":     "// Package app joins.\npackage app\n\nimport _ \"linewarden/internal/sqlitestore\"\n",
	"cmd/linewarden/main.go": "// Command linewarden runs.\npackage main\n\nimport _ \"linewarden/internal/app\"\n\n" +
		"type cli struct {\n\tDemo struct {\n\t\tData string `help:\"folder\"`\n\t} `cmd:\"\"`\n\tThePlan struct{} `cmd:\"\" name:\"plan\"`\n}\n\nfunc main() {}\n",
	"testdata/published/sources.tsv":   "key\ttitle\tedition/year\tpart\thow confirmed\nab-1\tA book\t2001\ttable 2\tfrom memory\n",
	"testdata/published/ab-1/one.csv":  "source: A book\n\na,b\n",
	"internal/web/testdata/page.go":    "not Go at all",
	"demo-data/left.go":                "not Go at all",
	"internal/wire/go.mod":             "module wire\n",
	"internal/wire/wire.go":            "// Package wire is a module of its own.\npackage wire\n\nimport _ \"example.org/far\"\n",
	"internal/housetest/housetest.go":  "// Package housetest holds the rules.\npackage housetest\n",
	"internal/housetest/house_test.go": "package housetest\n\nconst named = \"ab-1/two.csv LINEWARDEN_GONE\"\n",
}

// plantings holds, by rule, the trees on which the rule must find a fault and
// those close to it on which it must not.
var plantings = map[string][]planting{
	"examples": {
		{"a calculation without an example", src("haccp/wash/a.go", "package wash\n\nfunc Share() int { return 1 }\n"), "Share has no example"},
		{"a method that no example calls", src("haccp/wash/a.go", "package wash\n\ntype Bath int\n\nfunc (Bath) Litres() int { return 1 }\n"), "the method Litres"},
		{"a calculation with its example", map[string]string{
			"haccp/wash/a.go":      "package wash\n\nfunc Share() int { return 1 }\n",
			"haccp/wash/a_test.go": "package wash\n\nfunc ExampleShare() { Share() }\n"}, ""},
		{"an error needs no example", src("haccp/wash/a.go", "package wash\n\ntype Fault int\n\nfunc (Fault) Error() string { return \"\" }\n"), ""},
	},
	"imports": {
		{"haccp reaches the network", file("haccp/c.go", "haccp", "net/http"), "haccp imports net/http"},
		{"a room of haccp logs", file("haccp/lot/lot.go", "lot", "log/slog"), "haccp/lot imports log/slog"},
		{"haccp imports record", file("haccp/c.go", "haccp", "linewarden/internal/record"), "against the order"},
		{"haccp imports a strange library", file("haccp/c.go", "haccp", "example.org/x"), "not on the list"},
		{"the decimal of quantity elsewhere", file("haccp/c.go", "haccp", "github.com/govalues/decimal"), "not on the list"},
		{"quantity imports the plan", file("haccp/quantity/c.go", "quantity", "linewarden/haccp/plan"), "against the order"},
		{"haccp imports its tree", file("haccp/c.go", "haccp", "github.com/tidwall/btree"), ""},
		{"a name that only begins like an allowed one", file("haccp/c.go", "haccp", "github.com/tidwall/btreeplus"), "not on the list"},
		{"record takes chances", file("internal/record/c.go", "record", "math/rand/v2"), "math/rand/v2"},
		{"record imports haccp", file("internal/record/c.go", "record", "linewarden/haccp/plan"), "against the order"},
		{"record signs notes", file("internal/record/c.go", "record", "golang.org/x/mod/sumdb/note"), ""},
		{"evidence reads files", file("internal/record/evidence/c.go", "evidence", "os"), "internal/record/evidence imports os"},
		{"evidence imports record", file("internal/record/evidence/c.go", "evidence", "linewarden/internal/record"), ""},
		{"record imports evidence", file("internal/record/c.go", "record", "linewarden/internal/record/evidence"), "only those who hand proofs out"},
		{"a store imports evidence", file("internal/memstore/m.go", "memstore", "linewarden/internal/record/evidence"), "only those who hand proofs out"},
		{"plant imports evidence", file("internal/plant/p.go", "plant", "linewarden/internal/record/evidence"), ""},
		{"one store imports another", file("internal/memstore/m.go", "memstore", "linewarden/internal/sqlitestore"), "against the order"},
		{"a store imports plant", file("internal/memstore/m.go", "memstore", "linewarden/internal/plant"), "against the order"},
		{"plant imports a store", file("internal/plant/p.go", "plant", "linewarden/internal/memstore"), "against the order"},
		{"access imports plant", file("internal/access/a.go", "access", "linewarden/internal/plant"), "against the order"},
		{"api imports a driver", file("internal/api/a.go", "api", "modernc.org/sqlite"), "not on the list"},
		{"web imports app", file("internal/web/w.go", "web", "linewarden/internal/app"), "against the order"},
		{"code imports the store contract", file("internal/app/b.go", "app", "linewarden/internal/record/recordtest"), "only tests"},
		{"a test imports the store contract", file("internal/app/b_test.go", "app", "linewarden/internal/record/recordtest"), ""},
		{"code imports testing", file("internal/app/b.go", "app", "testing"), "only tests"},
		{"a package without a room", file("internal/cellar/c.go", "cellar"), "no room covers it"},
	},
	"clock": {
		{"haccp asks the time", src("haccp/c.go", "package haccp\n\nimport \"time\"\n\nvar x = time.Now()\n"), "haccp/c.go:5: time.Now"},
		{"under another name", src("internal/record/c.go", "package record\n\nimport clock \"time\"\n\nvar x = clock.Since\n"), "time.Since"},
		{"with a dot", src("internal/chart/c.go", "package chart\n\nimport . \"time\"\n\nvar x = Now()\n"), "with a dot"},
		{"until", src("internal/report/c.go", "package report\n\nimport \"time\"\n\nvar x = time.Until\n"), "time.Until"},
		{"a time taken as an argument", src("haccp/c.go", "package haccp\n\nimport \"time\"\n\nvar x time.Time\n"), ""},
		{"plant may ask", src("internal/plant/c.go", "package plant\n\nimport \"time\"\n\nvar x = time.Now()\n"), ""},
	},
	"package comment": {
		{"none", src("internal/cellar/c.go", "package cellar\n"), "internal/cellar: no package comment"},
		{"only in a test", map[string]string{
			"internal/cellar/c.go":      "package cellar\n",
			"internal/cellar/c_test.go": "// Package cellar is cold.\npackage cellar\n",
		}, "internal/cellar: no package comment"},
		{"in another file", src("haccp/c.go", "package haccp\n"), ""},
	},
	"exported names": {
		{"function", src("haccp/c.go", "package haccp\n\nfunc Decide() {}\n"), "haccp/c.go:3: exported Decide"},
		{"method", src("haccp/c.go", "package haccp\n\n// T is.\ntype T[P any] struct{}\n\nfunc (t *T[P]) Do() {}\n"), "exported Do"},
		{"type in a group", src("haccp/c.go", "package haccp\n\n// Types.\ntype (\n\tA int\n)\n"), "exported A"},
		{"constant", src("internal/record/c.go", "package record\n\nconst Max = 1\n"), "exported Max"},
		{"constant in a group with a comment", src("haccp/c.go", "package haccp\n\n// The kinds.\nconst (\n\tA = 1\n\tB = 2\n)\n"), ""},
		{"method of a hidden type", src("haccp/c.go", "package haccp\n\ntype t int\n\nfunc (t) Do() {}\n"), ""},
		{"elsewhere the linter asks", src("internal/plant/c.go", "package plant\n\nfunc Decide() {}\n"), ""},
	},
	"sizes": {
		{"file", src("haccp/c_test.go", "package haccp\n"+strings.Repeat("\n", 800)), "haccp/c_test.go: 801 lines"},
		{"file at the limit", src("haccp/c_test.go", "package haccp\n"+strings.Repeat("\n", 799)), ""},
		{"package", bigPackage(4, 700), "haccp/lot: 2804 lines"},
		{"function", src("haccp/c.go", "package haccp\n\nfunc f() {"+strings.Repeat("\n", 100)+"}\n"), "f has 101 lines"},
		{"function at the limit", src("haccp/c.go", "package haccp\n\nfunc f() {"+strings.Repeat("\n", 99)+"}\n"), ""},
		{"function of a test", src("haccp/c_test.go", "package haccp\n\nfunc f() {"+strings.Repeat("\n", 200)+"}\n"), ""},
		{"interface", src("haccp/c.go", "package haccp\n\ntype i interface {\n\tA()\n\tB()\n\tC()\n\tD()\n\tE()\n\tF()\n\tG()\n\tH()\n\tI()\n}\n"), "9 methods"},
		{"interface put together", src("haccp/c.go", "package haccp\n\ntype i interface {\n\tj\n\tA()\n\tB()\n\tC()\n\tD()\n}\n\n"+
			"type j interface {\n\tE()\n\tF()\n\tG()\n\tH()\n\tI()\n}\n"), ""},
	},
	"names": {
		{"vague", file("internal/helpers/h.go", "helpers"), "package helpers: name what it holds"},
		{"vague ending", file("internal/timeutil/h.go", "timeutil"), "package timeutil"},
		{"underscore", file("internal/data_store/h.go", "data_store"), "one lower-case word"},
		{"capital", file("internal/dataStore/h.go", "dataStore"), "one lower-case word"},
		{"another folder", file("internal/cellar/h.go", "attic"), "folder of another name"},
		{"system word", file("internal/web/page_js.go", "web"), "built only for js"},
		{"system word of a test", file("internal/web/report_windows_test.go", "web"), "built only for windows"},
		{"system word with a build line", src("internal/app/lock_linux.go", "//go:build linux\n\npackage app\n"), ""},
	},
	"top level": {
		{"a folder", src("docs/a.md", "x"), "docs: not on the list"},
		{"a file", src("Makefile", "x"), "Makefile: not on the list"},
		{"a hidden file", src(".editorconfig", "x"), ""},
		{"an ignored file", src("plant.db", "x"), ""},
		{"an ignored folder's name on a file", src("demo-data2", "x"), "demo-data2"},
	},
	"published tables": {
		{"unread", src("testdata/published/ab-1/two.csv", "x"), "ab-1/two.csv: no test reads this table"},
		{"named by code only", map[string]string{
			"testdata/published/ab-1/two.csv": "x",
			"haccp/c.go":                      "package haccp\n\nconst table = \"ab-1/two.csv\"\n",
		}, "ab-1/two.csv: no test reads this table"},
		{"named by a test", map[string]string{
			"testdata/published/ab-1/two.csv": "x",
			"haccp/c_test.go":                 "package haccp\n\nconst two = \"ab-1/two.csv\"\n",
		}, ""},
	},
	"sources": {
		{"unknown key", src("haccp/c.go", "package haccp\n\nvar x = 1 // src: cd-2 part 3\n"), `haccp/c.go:3: src key "cd-2"`},
		{"no key", src("internal/access/c.go", "package access\n\nvar x = 1 // src:\n"), `src key ""`},
		{"known key", src("haccp/c.go", "package haccp\n\nvar x = 1 // src: ab-1, table 9\n"), ""},
		{"folder without a source", src("testdata/published/cd-2/one.csv", "x"), "testdata/published/cd-2: this key"},
		{"key twice", sources("ab-1\tA book\t2001\ttable 2\tfrom memory", "ab-1\tB\t2\t3\t4"), "sources.tsv:3: key ab-1 stands twice"},
		{"a column short", sources("ab-1\tA book\t2001\ttable 2\tfrom memory", "cd-2\tB\t2\t3"), "sources.tsv:3: 4 columns"},
		{"not said how confirmed", sources("ab-1\tA book\t2001\ttable 2\tfrom memory", "cd-2\tB\t2\t3\t"), "sources.tsv:3: an empty cell"},
		{"another header", src("testdata/published/sources.tsv", "key\ttitle\tyear\tpart\thow confirmed\nab-1\tA book\t2001\t2\tno\n"), "the first line"},
	},
	"container": {
		{"missing command", src("docker-compose.yml", "services:\n  a:\n    command: [fly, --data, /data]\n"), "docker-compose.yml:3: linewarden has no command fly"},
		{"missing flag", src("docker-compose.yml", "    command: [demo, --data, /data, --wings, \"2\"]\n"), "docker-compose.yml:1: linewarden has no flag --wings"},
		{"known command", src("docker-compose.yml", "    command: [demo, --data, /data]\n"), ""},
		{"missing mount", src("docker-compose.yml", "    volumes:\n      - ./gone/x.yml:/x.yml:ro\n"), "docker-compose.yml:2: gone/x.yml: no such"},
		{"volume by name", src("docker-compose.yml", "    volumes:\n      - data:/data\n"), ""},
		{"missing folder", src("cmd/linewarden/Dockerfile", "FROM scratch\nCOPY go.mod gone ./\n"), "cmd/linewarden/Dockerfile:2: gone: no such"},
		{"from another stage", src("cmd/linewarden/Dockerfile", "COPY haccp ./haccp\nCOPY --from=build /out/x /x\n"), ""},
	},
	"documents": {
		{"missing document", src("README.md", ""), "README.md"},
		{"missing path", src("README.md", "See `internal/cellar/wine.go`.\n"), "README.md:1: internal/cellar/wine.go: no such"},
		{"missing path in a block", src("README.md", "\n```\ngo test ./internal/cellar/...\n```\n"), "README.md:3: ./internal/cellar/...: no such"},
		{"missing script", src("README.md", "Run `.ci/walk`.\n"), ".ci/walk: no such"},
		{"missing top file", src("README.md", "See `docker-compose.yml`.\n"), "docker-compose.yml: no such"},
		{"star without a match", src("README.md", "See `testdata/published/*/two.csv`.\n"), "two.csv: no such"},
		{"star with a match", src("README.md", "See `testdata/published/*/one.csv`.\n"), ""},
		{"placeholder", src("README.md", "See `testdata/published/<key>/<table>.csv`.\n"), ""},
		{"placeholder in a missing folder", src("README.md", "See `testdata/stories/<name>.txtar`.\n"), "no such"},
		{"line and member", src("README.md", "See `haccp/a.go:3` and `internal/record.Decode`.\n"), ""},
		{"not a path of ours", src("README.md", "Send `text/csv`, `internal`, `a/b` and `9.5`.\n"), ""},
		{"missing command", src("README.md", "Run `linewarden fly`.\n"), "linewarden has no command fly"},
		{"missing command by go run", src("README.md", "```\ngo run ./cmd/linewarden fly\n```\n"), "linewarden has no command fly"},
		{"missing flag", src("README.md", "Run `linewarden demo --wings 2`.\n"), "linewarden has no flag --wings"},
		{"missing setting", src("README.md", "Set `LINEWARDEN_GONE`.\n"), "LINEWARDEN_GONE: no code reads this setting"},
	},
}

// TestPlanted holds each rule against faults planted one at a time.
func TestPlanted(t *testing.T) {
	for _, r := range rules() {
		t.Run(r.name, func(t *testing.T) {
			if found := r.check(plant(t, nil)); len(found) > 0 {
				t.Errorf("on the clean tree: %q", found)
			}
			faults := 0
			for _, p := range plantings[r.name] {
				if p.want != "" {
					faults++
				}
				t.Run(p.name, func(t *testing.T) { p.try(t, r) })
			}
			if faults == 0 {
				t.Error("no planted fault shows that this rule can fail")
			}
		})
	}
}

// try holds the rule against the clean tree with p planted in it.
func (p planting) try(t *testing.T, r rule) {
	found := r.check(plant(t, p.files))
	switch {
	case p.want == "" && len(found) > 0:
		t.Errorf("found %q, want nothing", found)
	case p.want != "" && (len(found) != 1 || !strings.Contains(found[0], p.want)):
		t.Errorf("found %q, want one finding with %q", found, p.want)
	}
}

// TestWayToStore plants a chain of imports, each of which its room might
// allow one day, that ends at a driver.
func TestWayToStore(t *testing.T) {
	imports := map[string]map[string]string{
		"internal/web":   {"linewarden/internal/plant": "", "linewarden/haccp": ""},
		"internal/plant": {"linewarden/internal/web": "", "modernc.org/sqlite/lib": ""},
	}
	const want = "internal/web -> internal/plant -> modernc.org/sqlite/lib"
	if got := wayToStore(imports, "internal/web"); got != want {
		t.Errorf("way to the store: %q, want %q", got, want)
	}
	if got := wayToStore(imports, "haccp"); got != "" {
		t.Errorf("way from haccp: %q, want none", got)
	}
}

// TestLoadRefuses holds load against trees it cannot read.
func TestLoadRefuses(t *testing.T) {
	for name, files := range map[string]fstest.MapFS{
		"broken Go":            {"haccp/a.go": {Data: []byte("package")}},
		"pattern taken back":   {".gitignore": {Data: []byte("!keep\n")}},
		"pattern with a fault": {".gitignore": {Data: []byte("[a\n")}},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := load(files); err == nil {
				t.Error("no error")
			}
		})
	}
}

// plant loads the clean tree with files planted in it. An empty text takes the file away.
func plant(t *testing.T, files map[string]string) *tree {
	t.Helper()
	all := maps.Clone(clean)
	maps.Copy(all, files)
	fsys := fstest.MapFS{}
	for name, text := range all {
		if text != "" {
			fsys[name] = &fstest.MapFile{Data: []byte(text)}
		}
	}
	planted, err := load(fsys)
	if err != nil {
		t.Fatal(err)
	}
	return planted
}

// src plants one file.
func src(name, text string) map[string]string { return map[string]string{name: text} }

// file plants a Go file of package pkg that imports the given packages.
func file(name, pkg string, imports ...string) map[string]string {
	var b strings.Builder
	fmt.Fprintf(&b, "package %s\n\n", pkg)
	for _, imp := range imports {
		fmt.Fprintf(&b, "import _ %q\n", imp)
	}
	return src(name, b.String())
}

// bigPackage plants a package of n files with blank lines after the first.
func bigPackage(n, blank int) map[string]string {
	out := map[string]string{}
	for i := range n {
		out[fmt.Sprintf("haccp/lot/f%d.go", i)] = "package lot\n" + strings.Repeat("\n", blank)
	}
	return out
}

// sources plants a list of sources with the given lines.
func sources(lines ...string) map[string]string {
	return src(sourceList, strings.Join(sourceColumns, "\t")+"\n"+strings.Join(lines, "\n")+"\n")
}
