package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// certificate makes a certificate for this computer and its key, and writes both.
func certificate(t *testing.T, until time.Time) (cert, key string, trusted *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: until.AddDate(-1, 0, 0), NotAfter: until,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA:        true, BasicConstraintsValid: true}
	signed, err := x509.CreateCertificate(rand.Reader, c, c, private.Public(), private)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: signed}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
	trusted = x509.NewCertPool()
	own, err := x509.ParseCertificate(signed)
	require.NoError(t, err)
	trusted.AddCert(own)
	return cert, key, trusted
}

// With a certificate the page is encrypted: a phone's cookies go over it alone, and
// who comes without encryption is told so.
func TestEncrypted(t *testing.T) {
	y := openShed(t)
	code := regexp.MustCompile(`[2-9A-Z]{4}-[2-9A-Z]{4}`).FindString(y.cli("phone", "add", "one"))
	cert, key, trusted := certificate(t, time.Now().AddDate(0, 0, 30))
	cmd := program(y.path, "serve", "--listen", "127.0.0.1:0", "--tls-cert", cert, "--tls-key", key)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var told bytes.Buffer
	cmd.Stderr = &told
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	require.True(t, lines.Scan())
	at := regexp.MustCompile(`https://([^/]+)`).FindStringSubmatch(lines.Text())
	require.NotNil(t, at, lines.Text())

	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusted}, ForceAttemptHTTP2: true}
	browser := &http.Client{Jar: jar, Transport: transport}
	asks := func(resp *http.Response, err error) (*http.Response, string) {
		t.Helper()
		require.NoError(t, err)
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return resp, string(body)
	}
	var secure []*http.Cookie
	browser.CheckRedirect = func(r *http.Request, _ []*http.Request) error {
		secure = append(secure, r.Response.Cookies()...)
		return nil
	}
	resp, body := asks(browser.PostForm(at[0]+"/pair", url.Values{"code": {code}, "to": {"/"}}))
	require.Equal(t, http.StatusOK, resp.StatusCode)
	require.Equal(t, 2, resp.ProtoMajor, "HTTP/2")
	require.Contains(t, body, ">R4</a>")
	resp, body = asks(browser.PostForm(at[0]+"/record/run", form("machine", "R4", "driver", "Ada Venn", "hours", "2")))
	require.Equal(t, http.StatusOK, resp.StatusCode)
	require.Contains(t, body, "ecorded as")
	require.Len(t, secure, 2, "the phone's, and the driver last used")
	for _, c := range secure {
		require.True(t, c.Secure, c.Name)
		require.True(t, c.HttpOnly, c.Name)
	}
	// what starts without a network is there, and every page asks for it
	resp, body = asks(browser.Get(at[0] + "/worker.js"))
	require.Regexp(t, "^text/javascript", resp.Header.Get("Content-Type"))
	require.Contains(t, body, `addEventListener("fetch"`)
	_, body = asks(browser.Get(at[0] + "/record/run"))
	require.Contains(t, body, `src="/shed.js"`)

	resp, body = asks(http.Get("http://" + at[1] + "/"))
	require.Equal(t, http.StatusBadRequest, resp.StatusCode)
	require.Contains(t, body, "HTTPS")
	transport.TLSClientConfig = &tls.Config{RootCAs: trusted, MaxVersion: tls.VersionTLS11,
		MinVersion: tls.VersionTLS10}
	transport.CloseIdleConnections()
	_, err = (&http.Client{Transport: &http.Transport{TLSClientConfig: transport.TLSClientConfig}}).Get(at[0])
	require.Error(t, err, "TLS 1.2 (RFC 8996: the ones before must not be used)")

	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, cmd.Wait())
	require.Empty(t, told.String(), "nothing is said of a missing certificate")
}

// A pair that can't be used ends the command with what is wrong, before anything is
// shown; one that has run out is said to have.
func TestWrongCertificates(t *testing.T) {
	y := openShed(t)
	cert, key, _ := certificate(t, time.Now().AddDate(0, 0, 30))
	_, other, _ := certificate(t, time.Now())
	empty := filepath.Join(t.TempDir(), "empty.pem")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	for says, pair := range map[string][]string{
		"go together": {"--tls-cert", cert},
		"no such file or directory": {"--tls-cert", filepath.Join(t.TempDir(), "none.pem"), "--tls-key",
			key},
		"private key does not match public key":  {"--tls-cert", cert, "--tls-key", other},
		"failed to find any PEM data in key":     {"--tls-cert", cert, "--tls-key", empty},
		"failed to find certificate PEM data":    {"--tls-cert", key, "--tls-key", cert},
		"failed to find any PEM data in certifi": {"--tls-cert", empty, "--tls-key", key},
	} {
		var told strings.Builder
		a := y.app()
		a.errOut = &told
		require.Equal(t, exitWords, run(context.Background(), a,
			append([]string{"serve", "--listen", "127.0.0.1:0"}, pair...)), says)
		require.Contains(t, told.String(), says)
	}
	old, key, _ := certificate(t, y.now.AddDate(0, 0, -1))
	stopped, stop := context.WithCancel(context.Background())
	stop()
	var told strings.Builder
	a := y.app()
	a.errOut = &told
	run(stopped, a, []string{"--book", y.path, "serve", "--listen", "127.0.0.1:0", "--tls-cert", old, "--tls-key", key})
	require.Contains(t, told.String(), "the certificate ended on 2026-03-13")
}
