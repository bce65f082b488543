package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// variable is one setting and the variable that sets it.
type variable struct {
	name string
	set  func(*Config, string) error
}

func text(at func(*Config) *string) func(*Config, string) error {
	return func(c *Config, v string) error { *at(c) = v; return nil }
}

func list(at func(*Config) *[]string) func(*Config, string) error {
	return func(c *Config, v string) error { *at(c) = Split(v); return nil }
}

func variables() []variable {
	return []variable{
		{"LINEWARDEN_DATA", text(func(c *Config) *string { return &c.Data })},
		{"LINEWARDEN_MONGODB", text(func(c *Config) *string { return &c.MongoDB })},
		{"LINEWARDEN_SIGNING_KEY", text(func(c *Config) *string { return &c.SigningKey })},
		{"LINEWARDEN_SITE", text(func(c *Config) *string { return &c.Site })},
		{"LINEWARDEN_LISTEN", text(func(c *Config) *string { return &c.Listen })},
		{"LINEWARDEN_TLS_CERT", text(func(c *Config) *string { return &c.TLS.Cert })},
		{"LINEWARDEN_TLS_KEY", text(func(c *Config) *string { return &c.TLS.Key })},
		{"LINEWARDEN_TLS_PLANT", list(func(c *Config) *[]string { return &c.TLS.Plant })},
		{"LINEWARDEN_BEHIND_PROXY", list(func(c *Config) *[]string { return &c.BehindProxy })},
		{"LINEWARDEN_PEERS_LISTEN", text(func(c *Config) *string { return &c.Peers.Listen })},
		{"LINEWARDEN_PEERS_ADDRESS", text(func(c *Config) *string { return &c.Peers.Address })},
		{"LINEWARDEN_ALERTS_LINK", text(func(c *Config) *string { return &c.Alerts.Link })},
		{"LINEWARDEN_ALERTS_HEARTBEAT_FILE", text(func(c *Config) *string { return &c.Alerts.HeartbeatFile })},
		{"LINEWARDEN_BACKUP_FOLDER", text(func(c *Config) *string { return &c.Backup.Folder })},
		{"LINEWARDEN_BACKUP_EVERY", func(c *Config, v string) error { return c.Backup.Every.UnmarshalText([]byte(v)) }},
		{"LINEWARDEN_BACKUP_KEEP", func(c *Config, v string) (err error) { c.Backup.Keep, err = strconv.Atoi(v); return err }},
		{"LINEWARDEN_LOG_LEVEL", text(func(c *Config) *string { return &c.Log.Level })},
		{"LINEWARDEN_LOG_FORMAT", text(func(c *Config) *string { return &c.Log.Format })},
		{"LINEWARDEN_STOP_WITHIN", func(c *Config, v string) error { return c.StopWithin.UnmarshalText([]byte(v)) }},
		{"LINEWARDEN_SNAPSHOT_EVERY", func(c *Config, v string) (err error) {
			c.SnapshotEvery, err = strconv.ParseInt(v, 10, 64)
			return err
		}},
		{"LINEWARDEN_HASHERS", func(c *Config, v string) (err error) { c.Hashers, err = strconv.Atoi(v); return err }},
		{"LINEWARDEN_NO_METRICS", func(c *Config, v string) (err error) { c.NoMetrics, err = strconv.ParseBool(v); return err }},
	}
}

// Variables returns the names of the variables that Load reads.
func Variables() []string {
	var out []string
	for _, v := range variables() {
		out = append(out, v.name)
	}
	return out
}

func (c *Config) readEnv(getenv func(string) string) error {
	if getenv == nil {
		return nil
	}
	for _, v := range variables() {
		value := getenv(v.name)
		if value == "" {
			continue
		}
		if err := v.set(c, value); err != nil {
			return fmt.Errorf("variable %s: %q: %w", v.name, value, err)
		}
	}
	return nil
}

// Split takes a list apart at commas and blanks.
func Split(s string) []string {
	parts := strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ' ' })
	return slices.DeleteFunc(parts, func(p string) bool { return p == "" })
}
