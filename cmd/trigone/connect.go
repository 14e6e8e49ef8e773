package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"strings"

	"github.com/spf13/pflag"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	trigonev1 "trigone/proto/trigone/v1"
)

// signing is how the client meets the server, and how it says who asks.
type signing struct {
	tls       bool
	ca        string // authorities of the server's certificate; empty: the system's
	cert, key string // of a client certificate
	tokenFile string
	site      string // which of one's own is asked; empty: the only one
}

func (s *signing) flags(flags *pflag.FlagSet) {
	flags.BoolVar(&s.tls, "tls", false, "speak TLS; --ca, --cert and --key imply it")
	flags.StringVar(&s.ca, "ca", "", "file of the authorities that sign the server's certificate, PEM (default: the system's)")
	flags.StringVar(&s.cert, "cert", "", "file of a client certificate, PEM, by which to sign in")
	flags.StringVar(&s.key, "key", "", "file of its private key, PEM")
	flags.StringVar(&s.site, "site", "", "site to ask, for who has rights at several; - for all of them in one list (cases, differences, comparisons, facts, implants, access, export)")
	flags.StringVar(&s.tokenFile, "token-file", "", "file of a bearer token, by which to sign in; it is read for every call")
}

// options gives how to dial a server.
func (s *signing) options(server string) ([]grpc.DialOption, error) {
	if (s.cert == "") != (s.key == "") {
		return nil, usagef("--cert and --key go together")
	}
	secured := s.tls || s.ca != "" || s.cert != ""
	var list []grpc.DialOption
	if secured {
		c, err := s.config()
		if err != nil {
			return nil, err
		}
		list = append(list, grpc.WithTransportCredentials(credentials.NewTLS(c)))
	} else {
		list = append(list, grpc.WithTransportCredentials(insecure.NewCredentials()))
	}
	if s.tokenFile != "" {
		if !secured && !loopback(server) {
			return nil, usagef("a token is sent to another machine over TLS only; give --tls")
		}
		list = append(list, grpc.WithPerRPCCredentials(bearer{s.tokenFile}))
	}
	if s.site != "" {
		parent := "sites/" + s.site
		list = append(list,
			grpc.WithUnaryInterceptor(func(ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
				nameSite(req, parent)
				return invoke(ctx, method, req, reply, conn, opts...)
			}),
			grpc.WithStreamInterceptor(func(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
				stream, err := open(ctx, desc, conn, method, opts...)
				return naming{stream, parent}, err
			}))
	}
	return list, nil
}

// naming is a stream whose request names a site.
type naming struct {
	grpc.ClientStream
	parent string
}

// SendMsg names the site first.
func (n naming) SendMsg(m any) error {
	nameSite(m, n.parent)
	return n.ClientStream.SendMsg(m)
}

// nameSite names a site in a request that can name one and does not: as its parent, or
// as that of the case number that it asks about.
func nameSite(req any, parent string) {
	m, ok := req.(proto.Message)
	if !ok {
		return
	}
	fields := m.ProtoReflect().Descriptor().Fields()
	if f := fields.ByName("parent"); f != nil && !m.ProtoReflect().Has(f) {
		m.ProtoReflect().Set(f, protoreflect.ValueOfString(parent))
	}
	f := fields.ByName("case")
	if f == nil || !m.ProtoReflect().Has(f) {
		return
	}
	if ref, ok := m.ProtoReflect().Get(f).Message().Interface().(*trigonev1.CaseReference); ok && ref.GetName() == "" && ref.GetParent() == "" {
		ref.Parent = parent
	}
}

func (s *signing) config() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if s.ca != "" {
		text, err := os.ReadFile(s.ca)
		if err != nil {
			return nil, fmt.Errorf("read --ca: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("--ca: %s holds no certificate, PEM", s.ca)
		}
	}
	if s.cert != "" {
		pair, err := tls.LoadX509KeyPair(s.cert, s.key)
		if err != nil {
			return nil, fmt.Errorf("read --cert and --key: %w", err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

func loopback(server string) bool {
	host, _, err := net.SplitHostPort(server)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// bearer sends a token with every call.
type bearer struct{ path string }

// GetRequestMetadata reads the file, since tokens are renewed.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token, err := os.ReadFile(b.path)
	if err != nil {
		return nil, fmt.Errorf("read --token-file: %w", err)
	}
	return map[string]string{"authorization": "Bearer " + strings.TrimSpace(string(token))}, nil
}

// RequireTransportSecurity is judged by options, which knows the address.
func (bearer) RequireTransportSecurity() bool { return false }
