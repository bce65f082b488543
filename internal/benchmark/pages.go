package benchmark

import (
	"context"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"time"
)

// PageTime is how long the server took for a page, over a connection that stands, as seen by a client on the same machine.
type PageTime struct {
	Kind, Address string // of many pages of one kind the slowest
	Median, Worst time.Duration
	Bytes         int
}

// What a look at all pages does: how many pages of a kind it opens, and how often.
const (
	pagesOfAKind = 3
	pageRounds   = 7
)

var (
	pageLink = regexp.MustCompile(`href="(/[^"#]*)"`)
	oneOf    = regexp.MustCompile(`[^/]*[0-9][^/]*`) // the part of an address that names one of many
)

// Pages follows the links of a service's pages from its first one, with the session that the client holds, and times
// every kind of page; the slowest stand first. Pages that are files or data for scripts are left out.
func Pages(ctx context.Context, client *http.Client, base string) ([]PageTime, error) {
	wait, many, slowest := []string{"/"}, map[string]int{}, map[string]PageTime{}
	for len(wait) > 0 {
		address := wait[0]
		wait = wait[1:]
		x := PageTime{Kind: kindOf(address), Address: address}
		var took []time.Duration
		for i := range pageRounds + 1 {
			began := time.Now()
			body, err := page(ctx, client, base+address)
			if err != nil {
				return nil, err
			}
			if x.Bytes = len(body); i == 0 { // the first is for what is kept in memory
				wait = append(wait, links(body, many)...)
				continue
			}
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		x.Median, x.Worst = took[len(took)/2], took[len(took)-1]
		if x.Median >= slowest[x.Kind].Median {
			slowest[x.Kind] = x
		}
	}
	out := make([]PageTime, 0, len(slowest))
	for _, x := range slowest {
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b PageTime) int { return int(b.Median - a.Median) })
	return out, nil
}

func kindOf(address string) string {
	path, _, _ := strings.Cut(address, "?")
	return oneOf.ReplaceAllString(path, "x")
}

// links gives the addresses of a page that are to be opened too, and counts them.
func links(body []byte, many map[string]int) []string {
	var out []string
	for _, m := range pageLink.FindAllSubmatch(body, -1) {
		address := html.UnescapeString(string(m[1]))
		k := kindOf(address)
		file := strings.HasPrefix(k, "/static/") || strings.HasSuffix(k, "csv") || strings.HasSuffix(k, "ndjson") || strings.HasSuffix(k, "webmanifest")
		if file || k == "/" || many[k] == pagesOfAKind {
			continue
		}
		many[k]++
		out = append(out, address)
	}
	return out
}

func page(ctx context.Context, client *http.Client, address string) ([]byte, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, http.NoBody)
	if err != nil {
		return nil, err
	}
	resp, err := client.Do(r)
	if err != nil {
		return nil, err
	}
	body, err := io.ReadAll(resp.Body)
	if err = errors.Join(err, resp.Body.Close()); err != nil {
		return nil, err
	}
	if resp.StatusCode != http.StatusOK || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/html") {
		return nil, fmt.Errorf("%s: %s, %s", address, resp.Status, resp.Header.Get("Content-Type"))
	}
	return body, nil
}
