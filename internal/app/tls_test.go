package app_test

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/config"
)

// The plant's own authority signs a certificate for the names, off loopback too; a tablet that trusts the
// authority's certificate, fetched as a file, connects without a warning.
func TestPlantAuthority(t *testing.T) {
	dir := founded(t)
	s := start(t, dir, func(c *config.Config, _ *app.Parts) {
		c.Listen, c.TLS.Plant = "0.0.0.0:0", []string{"wash-hall.example", "127.0.0.1"}
	})
	_, port, err := net.SplitHostPort(s.Addr())
	check(t, err)
	if want := "https://wash-hall.example:" + port; s.URL() != want {
		t.Errorf("url %s, want %s", s.URL(), want)
	}
	ca, err := os.ReadFile(filepath.Join(dir, "tls", "plant-authority.crt"))
	check(t, err)
	if url, sum := s.Authority(); url != s.URL()+app.AuthorityPath || len(sum) != 32*3-1 {
		t.Errorf("authority at %q with SHA-256 %q", url, sum)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(ca)
	get := func(name string) (*http.Response, error) {
		c := &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true,
			TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: name}}}
		return c.Get("https://127.0.0.1:" + port + app.AuthorityPath)
	}
	for _, name := range []string{"wash-hall.example", "127.0.0.1"} {
		res, err := get(name)
		check(t, err)
		got, err := io.ReadAll(res.Body)
		check(t, err)
		check(t, res.Body.Close())
		if string(got) != string(ca) || res.Header.Get("Content-Type") != "application/x-x509-ca-cert" ||
			res.Header.Get("Strict-Transport-Security") == "" {
			t.Errorf("%s: %v %.60s", name, res.Header, got)
		}
	}
	if res, err := get("other.example"); err == nil {
		_ = res.Body.Close()
		t.Error("a name that is not in the certificate was taken")
	}
	for _, file := range []string{"plant-authority.key", "server.key"} {
		if info, err := os.Stat(filepath.Join(dir, "tls", file)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", file, info, err)
		}
	}
}

// The authority stays; the server's certificate stays with the same names and is made anew with others,
// or when its end comes near.
func TestCertificateIsKeptAndRenewed(t *testing.T) {
	dir := founded(t)
	leaf := func(clock func() time.Time, names ...string) (serial, authority string) {
		s := start(t, dir, func(c *config.Config, p *app.Parts) { c.TLS.Plant, p.Clock = names, clock })
		defer stop(t, s)
		b, err := os.ReadFile(filepath.Join(dir, "tls", "server.crt"))
		check(t, err)
		block, _ := pem.Decode(b)
		cert, err := x509.ParseCertificate(block.Bytes)
		check(t, err)
		a, err := os.ReadFile(filepath.Join(dir, "tls", "plant-authority.crt"))
		check(t, err)
		return cert.SerialNumber.String(), string(a)
	}
	first, ca := leaf(nil, "a.example")
	if same, _ := leaf(nil, "a.example"); same != first {
		t.Error("the certificate changed without need")
	}
	second, ca2 := leaf(nil, "b.example", "10.0.0.1")
	if second == first || ca2 != ca {
		t.Error("other names want another certificate of the same authority")
	}
	later := func() time.Time { return time.Now().AddDate(1, 0, 0) }
	if third, ca3 := leaf(later, "b.example", "10.0.0.1"); third == second || ca3 != ca {
		t.Error("a certificate near its end was kept, or the authority changed")
	}
}

// Behind a proxy only the proxy is answered.
func TestBehindProxy(t *testing.T) {
	s := start(t, founded(t), func(c *config.Config, _ *app.Parts) {
		c.Listen, c.BehindProxy = "0.0.0.0:0", []string{"203.0.113.0/24"}
	})
	_, port, err := net.SplitHostPort(s.Addr())
	check(t, err)
	if status, _ := newClient(t, "http://127.0.0.1:"+port).send("GET", "/healthz", nil); status != 200 {
		t.Errorf("from this machine: %d", status)
	}
	if own := otherAddress(); own != "" {
		status, out := newClient(t, "http://"+net.JoinHostPort(own, port)).send("GET", "/api/v1/site", nil)
		if status != 403 || !strings.Contains(string(out), "proxy") {
			t.Errorf("past the proxy: %d %s", status, out)
		}
	} else {
		t.Log("this machine has only loopback: not tried from elsewhere")
	}
}

// otherAddress gives an address of this machine that is not loopback.
func otherAddress() string {
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return ""
	}
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && n.IP.To4() != nil {
			return n.IP.String()
		}
	}
	return ""
}
