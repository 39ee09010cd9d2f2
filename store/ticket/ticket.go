// Package ticket makes what depots need to meet: keys, tickets, and the files of the
// hub's servers.
package ticket

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nkeys"
)

// Ticket is what lets a depot in.
type Ticket struct {
	Company   string    `json:"company"`
	Mark      string    `json:"mark"`
	Name      string    `json:"name"`
	Addresses string    `json:"hub"`
	Authority string    `json:"authority"` // who signs the servers' certificates, in PEM
	Seed      string    `json:"key"`       // the depot's key to the hub
	Seal      []byte    `json:"seal"`      // the company's, by which bundles are sealed
	Until     time.Time `json:"until"`     // it is good for joining so long
}

// Read reads a ticket.
func Read(content []byte) (*Ticket, error) {
	t := &Ticket{}
	if json.Unmarshal(content, t) != nil || t.Company == "" || t.Mark == "" || t.Addresses == "" || t.Seed == "" ||
		len(t.Seal) != 32 {
		return nil, errors.New("this is no ticket")
	}
	return t, nil
}

// Text is the ticket as a file has it.
func (t *Ticket) Text() ([]byte, error) { return json.MarshalIndent(t, "", "  ") }

// Key draws a key to the hub: the secret half, which its depot keeps, and the other.
func Key() (seed, public string, err error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return "", "", err
	}
	secret, err := pair.Seed()
	if err != nil {
		return "", "", err
	}
	public, err = pair.PublicKey()
	return string(secret), public, err
}

// Server is one of the hub's.
type Server struct {
	Host string
	Port int
}

// Servers reads the hub's addresses: one server, or three.
func Servers(addresses string) ([]Server, error) {
	var out []Server
	for _, address := range strings.Split(addresses, ",") {
		u, err := url.Parse(address)
		var port int
		if err == nil {
			port, err = strconv.Atoi(u.Port())
		}
		if err != nil || u.Scheme != "tls" || u.Hostname() == "" || port < 1 || port > 65535 || u.Path != "" {
			return nil, fmt.Errorf("a hub's address is such as tls://hub.example:4222, and not %q", address)
		}
		out = append(out, Server{u.Hostname(), port})
	}
	if len(out) != 1 && len(out) != 3 {
		return nil, fmt.Errorf("a hub has one server or three, and not %d", len(out))
	}
	return out, nil
}

// Account is a depot that may come to the hub.
type Account struct {
	Mark, Public string
	Office       bool
}

// rights is what a depot may do there: write under its own name, and read. The office
// makes the log, and sends again for all.
func (a *Account) rights() string {
	publish := []string{"log." + a.Mark + ".*", "have." + a.Mark, "$JS.API.INFO", "$JS.API.STREAM.INFO.LOG",
		"$JS.API.STREAM.INFO.HAVE", "$JS.API.DIRECT.GET.LOG", "$JS.API.DIRECT.GET.LOG.>", "$JS.API.DIRECT.GET.HAVE.>",
		"$JS.API.CONSUMER.CREATE.LOG.>", "$JS.API.CONSUMER.MSG.NEXT.LOG.>"}
	if a.Office {
		publish[0] = "log.*.*"
		publish = append(publish, "$JS.API.STREAM.CREATE.LOG", "$JS.API.STREAM.CREATE.HAVE")
	}
	return fmt.Sprintf(`{ publish: ["%s"], subscribe: ["_INBOX_%s.>"] }`, strings.Join(publish, `", "`), a.Mark)
}

// room is where the files of a server stand: whatever is in it goes to that server.
func room(directory string, s Server) string { return filepath.Join(directory, s.Host) }

// Rooms are where the files of all servers stand.
func Rooms(directory, addresses string) ([]string, error) {
	servers, err := Servers(addresses)
	var out []string
	for _, s := range servers {
		out = append(out, room(directory, s))
	}
	return out, err
}

// WriteAccounts writes who may come, for each server.
func WriteAccounts(directory, addresses string, accounts []Account) error {
	var text strings.Builder
	text.WriteString("# Who may come to the hub. shedbook depot invite and close write this anew.\n" +
		"authorization {\n  users = [\n")
	for _, a := range accounts {
		fmt.Fprintf(&text, "    # depot %s\n    { nkey: %s, permissions: %s }\n", a.Mark, a.Public, a.rights())
	}
	text.WriteString("  ]\n}\n")
	rooms, err := Rooms(directory, addresses)
	for _, to := range rooms {
		err = errors.Join(err, write(filepath.Join(to, "accounts.conf"), text.String()))
	}
	return err
}

// write puts a file in its place whole: a server may read it at any moment.
func write(name, text string) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	if err := os.WriteFile(name+".new", []byte(text), 0o600); err != nil {
		return err
	}
	return os.Rename(name+".new", name)
}

// WriteServers writes all that the servers need but for their accounts, and returns the
// certificate of who signs theirs. That one's key stays in the directory.
func WriteServers(directory, addresses string, now time.Time) (authority string, err error) {
	servers, err := Servers(addresses)
	if err != nil {
		return "", err
	}
	ca, key, authority, err := signer(directory, now)
	if err != nil {
		return "", err
	}
	for i, s := range servers {
		to := room(directory, s)
		cert, secret, err := certify(ca, key, s.Host, now)
		files := map[string]string{"nats.conf": configuration(servers, i), "authority.crt": authority,
			"server.crt": cert, "server.key": secret, "shedbook-hub.service": service,
			"compose.yaml": compose(servers, i)}
		for name, text := range files {
			err = errors.Join(err, write(filepath.Join(to, name), text))
		}
		if err != nil {
			return "", err
		}
	}
	return authority, nil
}

// How long certificates are good. A server's can be written anew with the directory;
// the signer's is in every book.
const (
	signerYears = 30
	serverYears = 10
)

// signer is who signs the servers' certificates: the one in the directory, or a new one.
func signer(directory string, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, string, error) {
	certFile, keyFile := filepath.Join(directory, "authority.crt"), filepath.Join(directory, "authority.key")
	text, err := os.ReadFile(certFile)
	if errors.Is(err, fs.ErrNotExist) {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			return nil, nil, "", err
		}
		of := template("shedbook hub", now, signerYears)
		of.IsCA, of.BasicConstraintsValid, of.KeyUsage = true, true, x509.KeyUsageCertSign
		made, err := x509.CreateCertificate(rand.Reader, of, of, &key.PublicKey, key)
		if err != nil {
			return nil, nil, "", err
		}
		secret, err := x509.MarshalECPrivateKey(key)
		if err == nil {
			err = errors.Join(write(keyFile, inPEM("EC PRIVATE KEY", secret)),
				write(certFile, inPEM("CERTIFICATE", made)))
		}
		if err != nil {
			return nil, nil, "", err
		}
		text = []byte(inPEM("CERTIFICATE", made))
	} else if err != nil {
		return nil, nil, "", err
	}
	secret, err := os.ReadFile(keyFile)
	if err != nil {
		return nil, nil, "", err
	}
	certBlock, _ := pem.Decode(text)
	keyBlock, _ := pem.Decode(secret)
	if certBlock == nil || keyBlock == nil {
		return nil, nil, "", fmt.Errorf("%s and %s should hold a certificate and its key", certFile, keyFile)
	}
	cert, err := x509.ParseCertificate(certBlock.Bytes)
	if err != nil {
		return nil, nil, "", err
	}
	key, err := x509.ParseECPrivateKey(keyBlock.Bytes)
	return cert, key, string(text), err
}

func template(name string, now time.Time, years int) *x509.Certificate {
	serial, _ := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	return &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		NotBefore: now.AddDate(0, 0, -1), // clocks differ
		NotAfter:  now.AddDate(years, 0, 0)}
}

func inPEM(kind string, raw []byte) string {
	return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: raw}))
}

// certify makes a server's certificate, with which it is known to depots and to the
// other servers.
func certify(ca *x509.Certificate, by *ecdsa.PrivateKey, host string, now time.Time) (cert, secret string, err error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return "", "", err
	}
	of := template(host, now, serverYears)
	of.KeyUsage = x509.KeyUsageDigitalSignature
	of.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}
	if ip := net.ParseIP(host); ip != nil {
		of.IPAddresses = []net.IP{ip}
	} else {
		of.DNSNames = []string{host}
	}
	made, err := x509.CreateCertificate(rand.Reader, of, ca, &key.PublicKey, by)
	if err != nil {
		return "", "", err
	}
	raw, err := x509.MarshalECPrivateKey(key)
	return inPEM("CERTIFICATE", made), inPEM("EC PRIVATE KEY", raw), err
}

// clusterPort is where the servers talk to each other.
const clusterPort = 6222

func configuration(servers []Server, i int) string {
	s := servers[i]
	text := fmt.Sprintf(`# The company's hub (nats-server 2.12.1). shedbook depot start wrote it.
server_name: "%s"
listen: "0.0.0.0:%d"
pid_file: "./nats.pid"
tls { cert_file: "./server.crt", key_file: "./server.key", min_version: "1.3" }
# Books keep everything; still, what the hub answered for should be on its disk.
jetstream { store_dir: "./data", sync_interval: always }
max_payload: 8MB
include "./accounts.conf"
`, s.Host, s.Port)
	if len(servers) == 1 {
		return text
	}
	var routes []string
	for _, other := range servers {
		routes = append(routes, fmt.Sprintf("%q", fmt.Sprintf("tls://%s", net.JoinHostPort(other.Host,
			strconv.Itoa(clusterPort)))))
	}
	return text + fmt.Sprintf(`cluster {
  name: "hub"
  listen: "0.0.0.0:%d"
  tls { cert_file: "./server.crt", key_file: "./server.key", ca_file: "./authority.crt", verify: true }
  routes: [%s]
}
`, clusterPort, strings.Join(routes, ", "))
}

// service starts the hub on a machine with systemd.
const service = `[Unit]
Description=The hub between the depots' books
After=network-online.target
Wants=network-online.target

[Service]
WorkingDirectory=/var/lib/shedbook-hub
ExecStart=/usr/local/bin/nats-server -c nats.conf
ExecReload=/bin/kill -HUP $MAINPID
Restart=always
User=shedbook-hub

[Install]
WantedBy=multi-user.target
`

func compose(servers []Server, i int) string {
	ports := fmt.Sprintf(`"%d:%d"`, servers[i].Port, servers[i].Port)
	if len(servers) > 1 {
		ports += fmt.Sprintf(`, "%d:%d"`, clusterPort, clusterPort)
	}
	return fmt.Sprintf(`# The hub in a container: docker compose up -d, in this directory.
services:
  hub:
    image: nats:2.12.1
    command: ["-c", "nats.conf"]
    working_dir: /hub
    volumes: [".:/hub"]
    ports: [%s]
    restart: always
`, ports)
}
