package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"linewarden/haccp/formula"
	"linewarden/internal/calculator"
	"linewarden/internal/wording"
)

type calcCommand struct {
	Name     string   `arg:"" optional:"" help:"Name of the calculator."`
	Inputs   []string `arg:"" optional:"" name:"key=value" help:"Inputs; a value may carry its unit."`
	JSON     bool     `help:"Print result, source and cautions as JSON."`
	Language string   `help:"Language of cautions and verdicts: en or es." enum:"en,es" default:"en"`
}

// Help lists the calculators by what a person wants to know.
func (calcCommand) Help() string {
	var b strings.Builder
	b.WriteString("Inputs are written name=value or name=valueUNIT, with a point for decimals. A list is name=1.0,1.2 or,\nfrom a file of comma-separated values or standard input, name=@FILE or name=@-. A calculator knows no\nplan and stores nothing. linewarden calc NAME --help shows its inputs, source and a worked example.\n")
	for _, g := range calculator.Groups() {
		b.WriteString("\n" + g.Title + "\n")
		for _, c := range g.Calculators {
			fmt.Fprintf(&b, "  %-24s %s\n", c.Name, c.Asks)
		}
	}
	b.WriteString("\nExample:\n  linewarden calc hocl free=100 ph=6.8 temperature=50°F salt=30")
	return b.String()
}

// calculatorHelp gives the name of the calculator whose help is asked for.
func calculatorHelp(args []string) (name string, ok bool) {
	if len(args) < 2 || args[0] != "calc" || !slices.Contains(args, "--help") && !slices.Contains(args, "-h") {
		return "", false
	}
	i := slices.IndexFunc(args[1:], func(a string) bool { return !strings.HasPrefix(a, "-") })
	if i < 0 {
		return "", false
	}
	return args[1+i], true
}

// helpCalculator prints the inputs of a calculator and runs its example.
func helpCalculator(t *terminal, name string) error {
	c, err := calculator.Find(name)
	if err != nil {
		return err
	}
	t.print("Usage: linewarden calc %s name=value … [--json] [--language en|es]\n\n%s\n\nInputs:", c.Name, c.Asks)
	for _, in := range c.Inputs {
		about := in.About
		if in.Default != "" {
			about += " (left out: " + in.Default + ")"
		} else if in.Optional {
			about += " (may be left out)"
		}
		t.print("  %-18s %s\n  %-18s %s", in.Name, about, "", in.Wanted())
	}
	a, err := c.Run(c.Example, noLists)
	if err != nil {
		return err
	}
	words := make([]string, len(c.Example))
	for i, w := range c.Example {
		words[i] = quoted(w)
	}
	t.print("\nExample:\n  linewarden calc %s %s\n", c.Name, strings.Join(words, " "))
	printAnswer(t, a, wording.English)
	return nil
}

// quoted writes a word so that a shell takes it as it stands.
func quoted(w string) string {
	if strings.ContainsAny(w, " <>;&|*?()'\"$") {
		return "'" + w + "'"
	}
	return w
}

func noLists(string) ([]byte, error) { return nil, fmt.Errorf("an example reads no file") }

// Run works out one answer.
func (c *calcCommand) Run(t *terminal) error {
	if c.Name == "" {
		t.print("%s", c.Help())
		return nil
	}
	found, err := calculator.Find(c.Name)
	if err != nil {
		return err
	}
	a, err := found.Run(c.Inputs, func(name string) ([]byte, error) { return readList(t, name) })
	if err != nil {
		return fmt.Errorf("%w (see linewarden calc %s --help)", err, found.Name)
	}
	language := wording.Language(c.Language)
	if c.JSON {
		return printJSON(t.out, a, language)
	}
	printAnswer(t, a, language)
	return nil
}

// readList reads a list from a file, or from standard input where the name is "-".
func readList(t *terminal, name string) ([]byte, error) {
	in := t.in
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	b, err := io.ReadAll(io.LimitReader(in, calculator.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the list: %w", err)
	}
	if len(b) > calculator.MaxBytes {
		return nil, fmt.Errorf("a list has at most %d MiB", calculator.MaxBytes>>20)
	}
	return b, nil
}

// printAnswer prints an answer for people.
func printAnswer(t *terminal, a calculator.Answer, l wording.Language) {
	word := func(code string) string { return l.Text(code) }
	for _, r := range a.Rows {
		line := r.Text(word)
		if r.Formula != "" {
			line += fmt.Sprintf("  [%s v%d]", r.Formula, r.Version)
		}
		if !r.Usable() {
			line += "  " + l.Text("calc.unusable")
		}
		t.print("%s", line)
	}
	t.print("")
	for _, s := range a.Sources {
		t.print("%s: %s (%s; %s)", l.Text("calc.source"), s.Title, s.Edition, s.Key)
	}
	t.print("\n%s:", l.Text("caution.title"))
	for _, c := range a.Cautions {
		t.print("- %s", cautionText(c, l))
	}
}

// cautionText is a caution in words.
func cautionText(c formula.Caution, l wording.Language) string {
	return l.Text("caution." + string(c.Code))
}

type jsonRow struct {
	Name     string         `json:"name"`
	Value    *float64       `json:"value,omitempty"`
	Unit     string         `json:"unit,omitempty"`
	Code     string         `json:"code,omitempty"`
	Text     string         `json:"text,omitempty"`
	Formula  formula.ID     `json:"formula,omitempty"`
	Version  int            `json:"version,omitempty"`
	Source   string         `json:"source"`
	Usable   bool           `json:"usable"`
	Cautions []formula.Code `json:"cautions,omitempty"`
}

type jsonCaution struct {
	Code     formula.Code `json:"code"`
	Text     string       `json:"text"`
	Unusable bool         `json:"unusable,omitempty"`
}

// printJSON prints an answer for programs: results, sources, cautions.
func printJSON(w io.Writer, a calculator.Answer, l wording.Language) error {
	out := struct {
		Calculator string              `json:"calculator"`
		Results    []jsonRow           `json:"results"`
		Sources    []calculator.Source `json:"sources"`
		Cautions   []jsonCaution       `json:"cautions"`
	}{Calculator: a.Calculator, Sources: a.Sources}
	for _, r := range a.Rows {
		row := jsonRow{Name: r.Label, Formula: r.Formula, Version: r.Version, Source: r.Source, Usable: r.Usable()}
		switch {
		case r.Is != "":
			row.Code, row.Text = r.Is, l.Text(r.Is)
		case r.Plain != "":
			row.Text = r.Plain
		default:
			row.Value, row.Unit = &r.Value, string(r.Unit)
		}
		for _, c := range r.Cautions {
			row.Cautions = append(row.Cautions, c.Code)
		}
		out.Results = append(out.Results, row)
	}
	for _, c := range a.Cautions {
		out.Cautions = append(out.Cautions, jsonCaution{c.Code, cautionText(c, l), c.Unusable})
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(out)
}
