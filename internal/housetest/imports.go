package housetest

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// A room says what the packages under prefix may import. The first room
// whose prefix holds a package is the only one that applies to it.
type room struct {
	prefix string
	ours   []string // packages of this module, as prefixes
	theirs []string // packages of other modules, as prefixes
	pure   bool     // no input, output, log or chance
}

// impure lists the standard packages, as prefixes, that a pure room may not import.
var impure = []string{"net", "os", "database/sql", "log", "math/rand"}

// stores lists the packages and drivers that only app, and those who wire it, may reach.
var stores = []string{
	module + "/internal/memstore", module + "/internal/sqlitestore", module + "/internal/mongostore",
	"modernc.org/sqlite", "go.mongodb.org/mongo-driver",
}

// evidence is the room that proves a log. Whoever keeps a log does not vouch
// for it: only those who hand proofs out may use the room.
const evidence = "internal/record/evidence"

// provers lists the rooms that may import evidence.
var provers = []string{
	"cmd", "internal/app", "internal/api", "internal/web", "internal/plant", "internal/benchmark",
	"internal/record/recordtest", evidence,
}

// wiring lists the rooms that may reach a store.
var wiring = []string{
	"cmd", "internal/app", "internal/benchmark",
	"internal/memstore", "internal/sqlitestore", "internal/mongostore",
}

const (
	prometheus = "github.com/prometheus/client_golang"
	metrics    = "github.com/prometheus/client_model" // metrics as they are sent
	gzip       = "github.com/klauspost/compress/gzhttp"
	fiber      = "github.com/gofiber/fiber/v2"
	uuid       = "github.com/google/uuid"
	sumdb      = "golang.org/x/mod/sumdb" // tree hashes and signed notes
)

// everything allows any package.
var everything = []string{""}

// service is what the rooms between app and plant may use of ours.
var service = []string{
	"internal/plant", "internal/access", "internal/wording", "internal/record", "internal/planfile", "haccp",
}

// arithmetic is what the formulas of the trade may use of ours.
var arithmetic = []string{"haccp/formula", "haccp/quantity"}

// rooms is the order of dependence, from the centre outwards.
var rooms = []room{
	{prefix: "haccp/quantity", ours: []string{"haccp/quantity"}, pure: true,
		theirs: []string{"github.com/govalues/decimal"}},
	// What a fold rests on gives the same bits everywhere, so it has no library.
	{prefix: "haccp/depletion", pure: true},
	{prefix: "haccp/trend", pure: true, theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "haccp/patterns", pure: true, theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "haccp/sampling", ours: []string{"haccp/quantity"}, pure: true, theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "haccp/disinfection", ours: arithmetic, pure: true, theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "haccp/calibration", ours: arithmetic, pure: true, theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "haccp/growth", ours: arithmetic, pure: true},
	{prefix: "haccp/balance", ours: arithmetic, pure: true},
	{prefix: "haccp/guidance", ours: []string{"haccp/quantity"}, pure: true},
	{prefix: "haccp", ours: []string{"haccp"}, pure: true,
		theirs: []string{"github.com/tidwall/btree"}},
	{prefix: "internal/record/recordtest", ours: []string{"internal/record"},
		theirs: []string{"pgregory.net/rapid", "github.com/transparency-dev/merkle", sumdb}},
	{prefix: evidence, ours: []string{"internal/record"}, pure: true,
		theirs: []string{sumdb}},
	{prefix: "internal/record", ours: []string{"internal/record"}, pure: true,
		theirs: []string{sumdb}},
	{prefix: "internal/chart", ours: []string{"internal/chart"}, pure: true},
	{prefix: "internal/report", ours: []string{"internal/report", "internal/chart", "internal/wording", "haccp"},
		theirs: []string{"codeberg.org/go-pdf/fpdf", "github.com/xuri/excelize/v2", "golang.org/x/image"}},
	{prefix: "internal/wording", ours: []string{"internal/wording", "haccp"},
		theirs: []string{"github.com/nicksnyder/go-i18n/v2", "golang.org/x/text"}},
	{prefix: "internal/calculator", pure: true, ours: slices.Concat(arithmetic, []string{"internal/calculator", "haccp/wash", "haccp/brine", "haccp/dosing",
		"haccp/disinfection", "haccp/growth", "haccp/balance", "haccp/calibration", "haccp/guidance", "haccp/depletion", "haccp/trend", "haccp/sampling"}),
		theirs: []string{"gonum.org/v1/gonum"}},
	{prefix: "internal/config", ours: []string{"internal/config"}, theirs: []string{"github.com/goccy/go-yaml"}},
	{prefix: "internal/checktable"},
	{prefix: "internal/housetest"},

	{prefix: "internal/memstore", ours: []string{"internal/record", "internal/memstore"},
		theirs: []string{sumdb, "github.com/tidwall/btree"}},
	{prefix: "internal/sqlitestore", ours: []string{"internal/record", "internal/sqlitestore"},
		theirs: []string{sumdb, "modernc.org/sqlite", "golang.org/x/sys"}},
	{prefix: "internal/mongostore", ours: []string{"internal/record", "internal/mongostore"},
		theirs: []string{sumdb, "go.mongodb.org/mongo-driver/v2"}},

	{prefix: "internal/peers", ours: []string{"internal/peers"}},
	{prefix: "internal/planfile", ours: []string{"haccp/plan", "haccp/quantity", "internal/planfile"},
		theirs: []string{"github.com/goccy/go-yaml", "github.com/robfig/cron/v3"}},
	{prefix: "internal/access", ours: []string{"haccp", "internal/access"},
		theirs: []string{"golang.org/x/crypto", "golang.org/x/text", prometheus, uuid}},
	{prefix: "internal/plant", ours: []string{"haccp", "internal/record", "internal/planfile", "internal/plant"},
		theirs: []string{sumdb, prometheus, uuid, "golang.org/x/sync", "github.com/tidwall/btree"}},

	{prefix: "alerts", ours: append([]string{"alerts"}, service...),
		theirs: []string{prometheus, "github.com/robfig/cron/v3", "github.com/rickar/cal/v2", "github.com/nicholas-fedor/shoutrrr", uuid}},
	{prefix: "dashboards", ours: append([]string{"dashboards"}, service...), theirs: []string{prometheus, metrics, gzip}},
	{prefix: "internal/importer", ours: append([]string{"internal/importer"}, service...), theirs: []string{uuid}},
	{prefix: "internal/demo", ours: append([]string{"internal/demo", "internal/importer", "alerts"}, service...),
		theirs: []string{uuid}},
	{prefix: "internal/gate", ours: append([]string{"internal/gate"}, service...), theirs: []string{fiber, prometheus}},
	{prefix: "internal/api", ours: append([]string{"internal/api", "internal/gate", "internal/report", "internal/chart"}, service...),
		theirs: []string{fiber, sumdb, prometheus, uuid, "github.com/valyala/fasthttp"}},
	{prefix: "internal/web", ours: append([]string{"internal/web", "internal/gate", "internal/report", "internal/chart"}, service...),
		theirs: []string{fiber, sumdb, prometheus, uuid, "github.com/valyala/fasthttp", "rsc.io/qr"}},

	{prefix: "internal/benchmark", ours: everything, theirs: everything},
	{prefix: "internal/app", ours: everything, theirs: everything},
	{prefix: "cmd", ours: everything, theirs: everything},
}

// checkImports finds imports against the order of dependence.
func checkImports(t *tree) []string {
	imports := importsByDir(t)
	var out []string
	for _, dir := range slices.Sorted(maps.Keys(imports)) {
		i := slices.IndexFunc(rooms, func(r room) bool { return under(dir, r.prefix) })
		if i < 0 {
			out = append(out, dir+": no room covers it; add one to internal/housetest/imports.go")
			continue
		}
		direct := len(out)
		for _, imp := range slices.Sorted(maps.Keys(imports[dir])) {
			if why := rooms[i].refuses(dir, imp); why != "" {
				out = append(out, fmt.Sprintf("%s: %s imports %s: %s", imports[dir][imp], dir, imp, why))
			}
		}
		if len(out) > direct || under(dir, wiring...) {
			continue
		}
		if way := wayToStore(imports, dir); way != "" {
			out = append(out, fmt.Sprintf("%s reaches a store: %s", dir, way))
		}
	}
	return out
}

// importsByDir maps each package directory to what its code imports, and where.
func importsByDir(t *tree) map[string]map[string]string {
	imports := map[string]map[string]string{}
	for _, f := range t.code() {
		if imports[f.dir] == nil {
			imports[f.dir] = map[string]string{}
		}
		for _, spec := range f.syntax.Imports {
			if imp, err := strconv.Unquote(spec.Path.Value); err == nil {
				imports[f.dir][imp] = t.at(spec.Pos())
			}
		}
	}
	return imports
}

// refuses says why the package in dir may not import imp, or nothing.
func (r room) refuses(dir, imp string) string {
	own, ours := strings.CutPrefix(imp, module+"/")
	first, _, _ := strings.Cut(imp, "/")
	switch {
	case ours && isTestPackage(own) && !isTestPackage(dir):
		return "only tests may use it"
	case ours && under(own, evidence) && !under(dir, provers...):
		return "only those who hand proofs out may use it"
	case ours && !under(own, r.ours...):
		return "against the order of dependence"
	case ours:
		return ""
	case imp == "testing" && !isTestPackage(dir):
		return "only tests may use it"
	case !strings.Contains(first, "."):
		if r.pure && under(imp, impure...) {
			return "this package does no input or output, writes no log and leaves nothing to chance"
		}
		return ""
	case !under(imp, r.theirs...):
		return "this library is not on the list of its room"
	}
	return ""
}

// wayToStore returns the imports that lead from dir to a store or a driver.
func wayToStore(imports map[string]map[string]string, dir string) string {
	seen := map[string]bool{}
	var visit func(string) string
	visit = func(d string) string {
		for _, imp := range slices.Sorted(maps.Keys(imports[d])) {
			if under(imp, stores...) {
				return d + " -> " + imp
			}
			own, ours := strings.CutPrefix(imp, module+"/")
			if !ours || seen[own] {
				continue
			}
			seen[own] = true
			if way := visit(own); way != "" {
				return d + " -> " + way
			}
		}
		return ""
	}
	return visit(dir)
}
