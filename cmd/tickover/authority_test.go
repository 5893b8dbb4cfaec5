package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"path/filepath"
	"testing"
	"time"
)

// authority signs certificates; its own is cert.pem in its folder.
type authority struct {
	t      *testing.T
	folder string
	own    *x509.Certificate
	key    *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, folder string) *authority {
	a := &authority{t: t, folder: folder}
	a.own = &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "skid"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	a.key = a.write(a.own, "cert.pem", "key.pem")
	return a
}

// trusted is the path of the authority's own certificate.
func (a *authority) trusted() string { return filepath.Join(a.folder, "cert.pem") }

// issue makes a certificate for 127.0.0.1, changed as the caller wishes, in
// NAME.pem and NAME.key.
func (a *authority) issue(name string, change func(*x509.Certificate)) tls.Certificate {
	a.t.Helper()
	plan := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, IPAddresses: a.own.IPAddresses,
		NotBefore: a.own.NotBefore, NotAfter: a.own.NotAfter}
	change(plan)
	cert, key := name+".pem", name+".key"
	a.write(plan, cert, key)
	pair, err := tls.LoadX509KeyPair(filepath.Join(a.folder, cert), filepath.Join(a.folder, key))
	if err != nil {
		a.t.Fatal(err)
	}
	return pair
}

// write signs a certificate with the authority's key, or with the new key
// while it has none, and writes both files.
func (a *authority) write(plan *x509.Certificate, cert, file string) *ecdsa.PrivateKey {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	signer := a.key
	if signer == nil {
		signer = key
	}
	der, err := x509.CreateCertificate(rand.Reader, plan, a.own, &key.PublicKey, signer)
	if err != nil {
		a.t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	write(a.t, a.folder, cert, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	write(a.t, a.folder, file, string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})))
	return key
}

// doubtful are certificates that must not be believed, by their names, and
// what is said of each.
var doubtful = map[string]struct {
	change func(*x509.Certificate)
	hint   string
}{
	"expired": {func(c *x509.Certificate) {
		c.NotBefore, c.NotAfter = time.Now().Add(-48*time.Hour), time.Now().Add(-24*time.Hour)
	},
		"the certificate is not valid at this time: renew it, and check both clocks"},
	"not-yet": {func(c *x509.Certificate) {
		c.NotBefore, c.NotAfter = time.Now().Add(24*time.Hour), time.Now().Add(48*time.Hour)
	},
		"check both clocks"},
	"misnamed": {func(c *x509.Certificate) { c.IPAddresses, c.DNSNames = nil, []string{"shed.example.net"} },
		"the certificate is for another name"},
}

// certificate writes a certificate for 127.0.0.1 and its key.
func certificate(t *testing.T, folder string) *x509.CertPool {
	t.Helper()
	pool := x509.NewCertPool()
	a := newAuthority(t, folder)
	own, err := tls.LoadX509KeyPair(a.trusted(), filepath.Join(folder, "key.pem"))
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(own.Leaf)
	return pool
}
