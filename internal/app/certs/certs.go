// Package certs gives the service its certificate: one of the plant's own, or one that the plant's own authority,
// made at the first start, signs for it.
package certs

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"time"

	"linewarden/internal/app/durable"
	"linewarden/internal/config"
)

// How long the certificates of the plant's own authority last. A server certificate of a private
// authority may last 825 days on tablets of today; 397 keeps well inside (common practice, no source).
const (
	authorityLife = 10 * 365 * 24 * time.Hour
	serverLife    = 397 * 24 * time.Hour
	renewBefore   = 60 * 24 * time.Hour
)

// Names of the files in the folder tls of the data folder.
const (
	authorityFile = "plant-authority.crt"
	authorityKey  = "plant-authority.key"
	serverFile    = "server.crt"
	serverKey     = "server.key"
)

// Config gives how connections are encrypted, nil for plain http. The second value is the certificate
// of the plant's own authority as PEM, where there is one.
func Config(c *config.Config, now time.Time) (*tls.Config, []byte, error) {
	if !c.Encrypted() {
		return nil, nil, nil
	}
	var pair tls.Certificate
	var authority []byte
	var err error
	if c.TLS.Cert != "" {
		pair, err = tls.LoadX509KeyPair(c.TLS.Cert, c.TLS.Key)
	} else {
		pair, authority, err = plantCertificate(filepath.Join(c.Data, "tls"), c.TLS.Plant, now)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("tls: %w", err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}}, authority, nil
}

// plantCertificate gives a server certificate for the names, signed by the plant's own authority. The
// authority is made once; the server certificate is made anew when names change or its end comes near.
func plantCertificate(dir string, names []string, now time.Time) (tls.Certificate, []byte, error) {
	none := tls.Certificate{}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return none, nil, err
	}
	ca, caKey, err := plantAuthority(dir, now)
	if err != nil {
		return none, nil, fmt.Errorf("plant authority: %w", err)
	}
	authority := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: ca.Raw})
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, serverFile), filepath.Join(dir, serverKey))
	if err == nil && serves(&pair, ca, names, now) {
		return pair, authority, nil
	}
	if err := signServer(dir, ca, caKey, names, now); err != nil {
		return none, nil, fmt.Errorf("server certificate: %w", err)
	}
	pair, err = tls.LoadX509KeyPair(filepath.Join(dir, serverFile), filepath.Join(dir, serverKey))
	return pair, authority, err
}

// serves reports whether a certificate is of this authority, for exactly these names, and lasts.
func serves(pair *tls.Certificate, ca *x509.Certificate, names []string, now time.Time) bool {
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil || leaf.CheckSignatureFrom(ca) != nil || now.Before(leaf.NotBefore) || now.Add(renewBefore).After(leaf.NotAfter) {
		return false
	}
	hosts, ips := split(names)
	same := slices.Equal(leaf.DNSNames, hosts) && len(leaf.IPAddresses) == len(ips)
	for i := range min(len(ips), len(leaf.IPAddresses)) {
		same = same && leaf.IPAddresses[i].Equal(ips[i])
	}
	return same
}

func split(names []string) (hosts []string, ips []net.IP) {
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			ips = append(ips, ip)
		} else {
			hosts = append(hosts, n)
		}
	}
	return hosts, ips
}

func plantAuthority(dir string, now time.Time) (*x509.Certificate, crypto.Signer, error) {
	certFile, keyFile := filepath.Join(dir, authorityFile), filepath.Join(dir, authorityKey)
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if errors.Is(err, fs.ErrNotExist) {
		if err := makeAuthority(certFile, keyFile, now); err != nil {
			return nil, nil, err
		}
		pair, err = tls.LoadX509KeyPair(certFile, keyFile)
	}
	if err != nil {
		return nil, nil, err
	}
	cert, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		return nil, nil, err
	}
	key, ok := pair.PrivateKey.(crypto.Signer)
	if !ok {
		return nil, nil, fmt.Errorf("%s: the key cannot sign", keyFile)
	}
	if now.After(cert.NotAfter) {
		return nil, nil, fmt.Errorf("%s ended on %s: move it away and give the tablets the new one", certFile, cert.NotAfter.Format(time.DateOnly))
	}
	return cert, key, nil
}

func makeAuthority(certFile, keyFile string, now time.Time) error {
	t, err := template("Plant authority", now, authorityLife)
	if err != nil {
		return err
	}
	t.IsCA, t.BasicConstraintsValid, t.MaxPathLenZero = true, true, true
	t.KeyUsage = x509.KeyUsageCertSign | x509.KeyUsageCRLSign
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return err
	}
	return writePair(certFile, keyFile, der, key)
}

func signServer(dir string, ca *x509.Certificate, caKey crypto.Signer, names []string, now time.Time) error {
	t, err := template(names[0], now, serverLife)
	if err != nil {
		return err
	}
	t.KeyUsage, t.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	t.BasicConstraintsValid = true
	t.DNSNames, t.IPAddresses = split(names)
	if t.NotAfter.After(ca.NotAfter) {
		t.NotAfter = ca.NotAfter
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.CreateCertificate(rand.Reader, t, ca, key.Public(), caKey)
	if err != nil {
		return err
	}
	return writePair(filepath.Join(dir, serverFile), filepath.Join(dir, serverKey), der, key)
}

func template(name string, now time.Time, life time.Duration) (*x509.Certificate, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	return &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: name, Organization: []string{"Linewarden"}},
		NotBefore: now.Add(-time.Hour).UTC(), NotAfter: now.Add(life).UTC()}, nil
}

// writePair writes the key first: a certificate without its key would be of no use.
func writePair(certFile, keyFile string, der []byte, key *ecdsa.PrivateKey) error {
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	if err := durable.Write(keyFile, string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})), 0o600); err != nil {
		return err
	}
	return durable.Write(certFile, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), 0o644)
}
