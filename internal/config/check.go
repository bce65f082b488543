package config

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
)

// ErrPlain refuses plain http off loopback.
var ErrPlain = errors.New("off loopback the service wants TLS, because tablets keep work offline and sign in safely only there: " +
	"give --tls-cert and --tls-key, or --tls-plant NAMES, or --behind-proxy CIDR, or listen on 127.0.0.1")

// Check says everything that is wrong with the settings, each with the field that it is about.
func (c *Config) Check() error {
	var errs []error
	bad := func(field, format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s: %s", field, fmt.Sprintf(format, args...)))
	}
	switch {
	case c.Data == "" && c.MongoDB == "":
		bad("data", "name the data folder (--data DIR), or the database (--mongodb URI or file that holds it)")
	case c.Data != "" && c.MongoDB != "":
		bad("mongodb", "a plant is kept in a data folder or in a database, not in both")
	case c.Data != "" && c.SigningKey != "":
		bad("signing_key", "a data folder holds its own signing key")
	case c.MongoDB != "" && c.SigningKey == "":
		bad("signing_key", "name the file with the signing key (--signing-key FILE); linewarden key makes one for a new site")
	case c.MongoDB != "" && len(c.TLS.Plant) > 0:
		bad("tls.plant", "the plant's own authority is kept in a data folder: with a database take --tls-cert and --tls-key, or --behind-proxy")
	}
	if !slices.Contains([]string{"debug", "info", "warn", "error"}, c.Log.Level) {
		bad("log.level", "%q is not one of debug, info, warn, error", c.Log.Level)
	}
	if !slices.Contains([]string{"text", "json"}, c.Log.Format) {
		bad("log.format", "%q is not text or json", c.Log.Format)
	}
	if c.StopWithin <= 0 {
		bad("stop_within", "must be longer than nothing, such as 20s")
	}
	if c.SnapshotEvery < 1 {
		bad("snapshot_every", "must be at least 1 record")
	}
	if c.Hashers < 1 || c.Hashers > 64 {
		bad("hashers", "%d is not from 1 to 64", c.Hashers)
	}
	return errors.Join(slices.Concat(errs, c.checkAlerts(), c.checkBackup(), c.checkPeers(), c.checkNetwork())...)
}

func (c *Config) checkPeers() []error {
	var errs []error
	p := c.Peers
	if p.Listen == "" && p.Address == "" {
		return nil
	}
	if c.MongoDB == "" {
		errs = append(errs, errors.New("peers: only instances that share a database have something to tell each other"))
	}
	host, _, err := net.SplitHostPort(p.Listen)
	if err != nil {
		return append(errs, fmt.Errorf("peers.listen: %q is no address with a port, such as 10.0.0.5:8081", p.Listen))
	}
	if ip, err := netip.ParseAddr(host); p.Address == "" && (host == "" || err == nil && ip.IsUnspecified()) {
		errs = append(errs, fmt.Errorf("peers.address: others cannot reach %s: say where they can, such as app-1:8081", p.Listen))
	}
	if _, _, err := net.SplitHostPort(p.Address); p.Address != "" && err != nil {
		errs = append(errs, fmt.Errorf("peers.address: %q is no address with a port, such as app-1:8081", p.Address))
	}
	return errs
}

func (c *Config) checkNetwork() []error {
	var errs []error
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		return []error{fmt.Errorf("listen: %q is no address with a port, such as 127.0.0.1:8080", c.Listen)}
	}
	ways := 0
	if c.TLS.Cert != "" || c.TLS.Key != "" {
		ways++
		if c.TLS.Cert == "" || c.TLS.Key == "" {
			errs = append(errs, errors.New("tls: --tls-cert and --tls-key go together"))
		}
	}
	if len(c.TLS.Plant) > 0 {
		ways++
	}
	if len(c.BehindProxy) > 0 {
		ways++
	}
	if ways > 1 {
		errs = append(errs, errors.New("tls: choose one of --tls-cert with --tls-key, --tls-plant and --behind-proxy"))
	}
	for _, p := range c.BehindProxy {
		n, err := netip.ParsePrefix(p)
		switch {
		case err != nil:
			errs = append(errs, fmt.Errorf("behind_proxy: %q is no network, such as 10.0.0.0/24", p))
		case n.Bits() == 0:
			errs = append(errs, fmt.Errorf("behind_proxy: %q is every machine there is, so anybody could pass for the proxy: name its own network, such as 10.0.0.0/24", p))
		}
	}
	for _, name := range c.TLS.Plant {
		if strings.ContainsAny(name, "/:*\t ") && net.ParseIP(name) == nil {
			errs = append(errs, fmt.Errorf("tls.plant: %q is no name or address of a machine", name))
		}
	}
	if ways == 0 && !c.Loopback() {
		errs = append(errs, ErrPlain)
	}
	return errs
}

// Loopback reports whether the service can be reached from this machine only. A name other than
// localhost counts as reachable from elsewhere.
func (c *Config) Loopback() bool {
	host, _, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// Encrypted reports whether the service itself speaks TLS.
func (c *Config) Encrypted() bool { return c.TLS.Cert != "" || len(c.TLS.Plant) > 0 }

// Print writes the settings as YAML. Of the database's URI, user and password are blanked; everything else is
// no secret, and a setting that ever holds one must be blanked here too.
func (c *Config) Print(w io.Writer) error {
	shown := *c
	if at := strings.LastIndex(c.MongoDB, "@"); at >= 0 {
		scheme, _, _ := strings.Cut(c.MongoDB, "://")
		shown.MongoDB = scheme + "://(hidden)" + c.MongoDB[at:]
	}
	b, err := yaml.Marshal(&shown)
	if err != nil {
		return fmt.Errorf("print the configuration: %w", err)
	}
	_, err = w.Write(b)
	return err
}
