// Package config holds the settings of the service: one struct with its defaults, a strict reader of
// the optional YAML file and of LINEWARDEN_ variables, the checks, and a print-out without secrets.
//
// A setting comes from the first of: the flag, the variable LINEWARDEN_NAME, the file, the default.
package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// Config is every setting of the service. The comment of a field is its manual.
type Config struct {
	// Data is the folder that holds the record log, the accounts and the signing key.
	Data string `yaml:"data"`
	// MongoDB is the URI of the database that holds the record log and the accounts in place of a data
	// folder, or the file that holds the URI. A URI with a password belongs into a file or into the variable.
	MongoDB string `yaml:"mongodb"`
	// SigningKey is the file with the signing key of the site, or the folder with SITE.signing-key, where the
	// log is in a database. It is never made on the way.
	SigningKey string `yaml:"signing_key"`
	// Site is the id of the site to serve; only needed where the folder holds several.
	Site string `yaml:"site"`
	// Listen is the address to listen on. Off loopback it wants TLS or a trusted proxy.
	Listen string `yaml:"listen"`
	// TLS says how connections are encrypted.
	TLS TLS `yaml:"tls"`
	// BehindProxy lists the networks (CIDR) of proxies that end TLS in front of the service. Only they
	// are answered, and their X-Forwarded-For and X-Forwarded-Proto are believed.
	BehindProxy []string `yaml:"behind_proxy"`
	// Log says what the service writes about itself on standard error.
	Log Log `yaml:"log"`
	// StopWithin is how long a stop waits for requests under way and for the writer.
	StopWithin Duration `yaml:"stop_within"`
	// SnapshotEvery is the number of records between two snapshots of the state.
	SnapshotEvery int64 `yaml:"snapshot_every"`
	// Hashers is how many password hashes are computed at one time; each takes 19 MiB.
	Hashers int `yaml:"hashers"`
	// NoMetrics closes /metrics.
	NoMetrics bool `yaml:"no_metrics"`
	// Alerts says by which ways people outside are told of alerts; who and when stands in the plan.
	Alerts Alerts `yaml:"alerts"`
	// Peers says how instances on one database tell each other of what they write.
	Peers Peers `yaml:"peers"`
	// Backup says how the service makes backups by itself.
	Backup Backup `yaml:"backup"`
}

// TLS says how connections are encrypted: with a certificate of your own, or with one that the plant's
// own authority signs.
type TLS struct {
	// Cert and Key are PEM files of a certificate with its chain and of its key.
	Cert string `yaml:"cert"`
	Key  string `yaml:"key"`
	// Plant lists the names and addresses by which tablets reach this machine. The service then makes an
	// authority of its own at the first start, and signs itself a certificate for these names.
	Plant []string `yaml:"plant"`
}

// Peers says how instances on one database tell each other of the commits they write, so that the others need not read
// them there. Without it they read everything from the database. What is told is sealed with a key that lies in the database.
type Peers struct {
	// Listen is the address to listen on for other instances.
	Listen string `yaml:"listen"`
	// Address is where the other instances reach it; empty: the address of listen.
	Address string `yaml:"address"`
}

// Log says what the service writes about itself.
type Log struct {
	// Level is debug, info, warn or error.
	Level string `yaml:"level"`
	// Format is text or json.
	Format string `yaml:"format"`
}

// Duration is a length of time as "30s" or "2m".
type Duration time.Duration

// Std returns the duration.
func (d Duration) Std() time.Duration { return time.Duration(d) }

// UnmarshalText reads "30s" or "2m".
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is no length of time: write it as 30s or 2m", b)
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes the duration.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// Default returns the settings of a service that changes none.
func Default() Config {
	return Config{
		Listen:        "127.0.0.1:8080",
		Log:           Log{Level: "info", Format: "text"},
		StopWithin:    Duration(20 * time.Second),
		SnapshotEvery: 50_000,
		Hashers:       4,
		Backup:        Backup{Keep: backupKeep},
	}
}

// Load returns the defaults, changed by the file (path "" is none) and then by the variables that getenv
// knows. An unknown key in the file is an error with line and column.
func Load(path string, getenv func(string) string) (Config, error) {
	c := Default()
	if path != "" {
		if err := c.readFile(path); err != nil {
			return c, err
		}
	}
	return c, c.readEnv(getenv)
}

const maxFile = 1 << 20

func (c *Config) readFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("read the configuration: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return fmt.Errorf("read the configuration %s: %w", path, err)
	}
	if len(text) > maxFile {
		return fmt.Errorf("the configuration %s is longer than 1 MiB", path)
	}
	err = yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(c)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("configuration %s: %s", path, strings.TrimSpace(yaml.FormatError(err, false, true)))
	}
	return nil
}
