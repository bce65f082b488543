package config

import (
	"errors"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
)

// Alerts says by which ways people outside are told of alerts.
type Alerts struct {
	// Link is the address under which people reach the pages, for the links in messages: https://plant.example.
	Link string `yaml:"link"`
	// HeartbeatFile is a file that holds an address to be called once a minute while the service does its work. Whoever
	// watches that address notices when it ends.
	HeartbeatFile string `yaml:"heartbeat_file"`
	// Channels are the ways.
	Channels []Channel `yaml:"channels"`
}

// Channel is one way to the outside. Secrets stand in files of their own, readable by the service alone, or in variables.
type Channel struct {
	// Name is how records and pages name the channel; it does not change.
	Name string `yaml:"name"`
	// Kind is mail, webhook, alertmanager or service (a chat, SMS or push service).
	Kind string `yaml:"kind"`
	// Address is that of the webhook or Alertmanager, or host:port of the mail server.
	Address string `yaml:"address"`
	// SecretFile holds the webhook's secret, the password for the mail server, or the whole address of the service.
	SecretFile string `yaml:"secret_file"`
	// SecretVariable names a variable that holds it instead.
	SecretVariable string `yaml:"secret_variable"`
	// Security is how the mail server is spoken to: starttls (the default), tls, or plain on this machine.
	Security string `yaml:"security"`
	// User is the name for the mail server; left out, nobody signs in there.
	User string `yaml:"user"`
	// From and To are e-mail addresses.
	From string   `yaml:"from"`
	To   []string `yaml:"to"`
	// Language of its messages: en or es.
	Language string `yaml:"language"`
	// Roles the channel reaches: it is used where the plan's ladder names one of them. Left out: always.
	Roles []string `yaml:"roles"`
	// Least severity: critical, warning or notice (the default is warning).
	Least string `yaml:"least"`
	// Digest sends the summary of each shift and day.
	Digest bool `yaml:"digest"`
}

// The kinds of channels.
const (
	ChannelMail         = "mail"
	ChannelWebhook      = "webhook"
	ChannelAlertmanager = "alertmanager"
	ChannelService      = "service"
)

var channelName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// checkAlerts says what is wrong with the channels.
func (c *Config) checkAlerts() []error {
	var errs []error
	seen := map[string]bool{}
	for i := range c.Alerts.Channels {
		ch := &c.Alerts.Channels[i]
		bad := func(field, format string, args ...any) {
			errs = append(errs, fmt.Errorf("alerts.channels[%d].%s: %s", i, field, fmt.Sprintf(format, args...)))
		}
		if !channelName.MatchString(ch.Name) || seen[ch.Name] {
			bad("name", "give each channel a name of its own, of small letters, digits and hyphens")
		}
		seen[ch.Name] = true
		if !slices.Contains([]string{ChannelMail, ChannelWebhook, ChannelAlertmanager, ChannelService}, ch.Kind) {
			bad("kind", "%q is not one of mail, webhook, alertmanager, service", ch.Kind)
		}
		if (ch.Kind == ChannelService) != (ch.Address == "") {
			bad("address", "a service has its address in the secret file; every other channel has it here")
		}
		if ch.SecretFile != "" && ch.SecretVariable != "" {
			bad("secret_file", "give the file or the variable, not both")
		}
		if (ch.Kind == ChannelService || ch.Kind == ChannelWebhook || ch.User != "") && ch.SecretFile == "" && ch.SecretVariable == "" {
			bad("secret_file", "name the file or the variable that holds the secret")
		}
		if !slices.Contains([]string{"", "en", "es"}, ch.Language) {
			bad("language", "%q is not en or es", ch.Language)
		}
		if !slices.Contains([]string{"", "critical", "warning", "notice"}, ch.Least) {
			bad("least", "%q is not critical, warning or notice", ch.Least)
		}
	}
	return errs
}

const maxSecret = 8 << 10

// ReadSecretFile reads a secret that stands alone in a file. The error never holds it.
func ReadSecretFile(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("read a secret: %w", err)
	}
	s := strings.TrimSpace(string(b))
	if s == "" || len(s) > maxSecret {
		return "", fmt.Errorf("the file %s holds no secret, or too much", path)
	}
	return s, nil
}

// Secret gives the secret of a channel; "" where it has none.
func (c *Channel) Secret(getenv func(string) string) (string, error) {
	if c.SecretVariable != "" {
		if s := strings.TrimSpace(getenv(c.SecretVariable)); s != "" {
			return s, nil
		}
		return "", errors.New("the variable " + c.SecretVariable + " is empty")
	}
	if c.SecretFile == "" {
		return "", nil
	}
	return ReadSecretFile(c.SecretFile)
}
