package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionalphapb "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// guard lets callers through to a method or refuses them. What it has no rule
// for is refused to everybody.
type guard struct {
	door  *access.Door
	rules map[string]rule // by full method, "/bayhold.v1.SiteService/GetSite"
}

// rule says who may call a method.
type rule struct {
	open  bool // anybody, without saying who they are
	known bool // anybody who has said who they are
	roles []access.Role
}

// openServices are those that need no token: a load balancer has none.
var openServices = map[string]bool{healthpb.Health_ServiceDesc.ServiceName: true}

// knownServices are those that any user may ask. Reflection tells the contract,
// which is no secret, but nobody's business before they have said who they are.
var knownServices = map[string]bool{
	reflectionpb.ServerReflection_ServiceDesc.ServiceName:      true,
	reflectionalphapb.ServerReflection_ServiceDesc.ServiceName: true,
}

// rulesOf reads the rules of all methods that a server has from the contract.
func rulesOf(services map[string]grpc.ServiceInfo) map[string]rule {
	out := map[string]rule{}
	for service, info := range services {
		for _, m := range info.Methods {
			out["/"+service+"/"+m.Name] = rule{
				open: openServices[service], known: knownServices[service],
				roles: rolesOfMethod(protoreflect.FullName(service).Append(protoreflect.Name(m.Name))),
			}
		}
	}
	return out
}

// rolesOfMethod reads which roles the contract lets call a method; none if it names none.
func rolesOfMethod(method protoreflect.FullName) []access.Role {
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(method)
	if err != nil {
		return nil
	}
	option, _ := proto.GetExtension(d.Options(), bayholdv1.E_Access).(*bayholdv1.Access)
	var out []access.Role
	for _, r := range option.GetRoles() {
		if role := roleFromProto[r]; role != "" {
			out = append(out, role)
		}
	}
	return out
}

var roleFromProto = map[bayholdv1.Role]access.Role{
	bayholdv1.Role_ROLE_MANAGER:       access.Manager,
	bayholdv1.Role_ROLE_TECHNICIAN:    access.Technician,
	bayholdv1.Role_ROLE_ADMINISTRATOR: access.Administrator,
}

// admit tells who calls a method, and refuses whoever may not.
func (g *guard) admit(ctx context.Context, method string) (access.Caller, error) {
	r := g.rules[method]
	if r.open {
		return access.Caller{}, nil
	}
	c, err := g.caller(ctx)
	if err != nil {
		return c, err
	}
	switch {
	case r.known || c.Has(r.roles...):
		return c, nil
	case len(r.roles) == 0:
		return c, fault.New(fault.Forbidden, "ROLE", "this may be called by nobody")
	}
	return c, fault.New(fault.Forbidden, "ROLE", "this is for %ss, and %s is %s: ask one of those to do it, or an administrator for the role",
		words(r.roles, "s and "), c.User, anyOf(c.Roles))
}

// caller tells who calls by the token or else by the client certificate.
func (g *guard) caller(ctx context.Context) (access.Caller, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	const scheme = "Bearer " // RFC 6750; a scheme's case does not matter (RFC 9110, 11.1)
	for _, v := range md.Get("authorization") {
		if len(v) > len(scheme) && strings.EqualFold(v[:len(scheme)], scheme) {
			return g.door.Token(ctx, v[len(scheme):])
		}
	}
	if p, ok := peer.FromContext(ctx); ok {
		if info, ok := p.AuthInfo.(credentials.TLSInfo); ok && len(info.State.VerifiedChains) > 0 {
			return g.door.Certificate(ctx, info.State.VerifiedChains[0][0].Subject)
		}
	}
	return access.Caller{}, fault.New(fault.Unauthenticated, "NO_TOKEN",
		"this server wants to know who calls: give a token with --token or BAYHOLD_TOKEN; the first is made on the server's machine with server user add")
}

// anyOf says what somebody is by their roles.
func anyOf(roles []access.Role) string {
	if len(roles) == 0 {
		return "nothing here yet"
	}
	article := "a "
	if strings.ContainsAny(string(roles[0][:1]), "AEIOUaeiou") {
		article = "an "
	}
	return article + words(roles, " and ")
}

// words lists roles for people.
func words(roles []access.Role, between string) string {
	out := make([]string, 0, len(roles))
	for _, r := range roles {
		out = append(out, strings.ToLower(string(r)))
	}
	return strings.Join(out, between)
}

func (g *guard) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	caller, err := g.admit(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	if err := ownSite(caller, req); err != nil {
		return nil, err
	}
	if ctx, err = dryRun(ctx); err != nil {
		return nil, err
	}
	return handle(access.With(ctx, caller), req)
}

func (g *guard) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	caller, err := g.admit(stream.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancelCause(access.With(stream.Context(), caller))
	defer cancel(nil)
	if !g.rules[info.FullMethod].open {
		defer g.keepAsking(ctx, info.FullMethod, cancel)()
	}
	err = handle(srv, guardedStream{stream, ctx, caller})
	if f := fault.Fault(context.Cause(ctx)); f != nil {
		return f
	}
	return err
}

// keepAsking ends a stream whose caller may no longer have it, until it is told to
// stop. While the database cannot say, the stream goes on. Between two questions
// there is only a timer: some thousand streams may stand open.
func (g *guard) keepAsking(ctx context.Context, method string, end context.CancelCauseFunc) (stop func()) {
	var timer *time.Timer
	ready := make(chan struct{})
	timer = time.AfterFunc(access.Fresh, func() {
		if ctx.Err() != nil {
			return
		}
		_, err := g.admit(ctx, method)
		if kind := fault.KindOf(err); kind == fault.Unauthenticated || kind == fault.Forbidden {
			end(err)
			return
		}
		<-ready
		timer.Reset(access.Fresh)
	})
	close(ready)
	return func() { timer.Stop() }
}

// guardedStream lets only messages through that are about the caller's own site.
type guardedStream struct {
	grpc.ServerStream
	ctx    context.Context
	caller access.Caller
}

// Context is the stream's, and knows who calls.
func (s guardedStream) Context() context.Context { return s.ctx }

// RecvMsg receives the next message.
func (s guardedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return ownSite(s.caller, m)
}

// ownSite refuses a request that is about another site than the caller's. One
// that names no site, or not so that it can be read, is left to its method; the
// workshop itself answers nothing of another site than the caller's.
func ownSite(c access.Caller, req any) error {
	if of := siteOf(req); of != "" {
		return access.AtSite(c, of)
	}
	return nil
}

// siteOf finds the site that a request is about: that of its parent, else of its
// name, else of the thing in it that has a name. Empty if there is none.
func siteOf(req any) string {
	msg, ok := req.(proto.Message)
	if !ok {
		return ""
	}
	m := msg.ProtoReflect()
	name, found := textOf(m, "parent")
	if !found {
		name, found = textOf(m, "name")
	}
	for i := 0; !found && i < m.Descriptor().Fields().Len(); i++ {
		if f := m.Descriptor().Fields().Get(i); f.Message() != nil && !f.IsList() && !f.IsMap() {
			name, found = textOf(m.Get(f).Message(), "name")
		}
	}
	parts := strings.Split(name, "/")
	if len(parts) < 2 || parts[0] != "sites" {
		return ""
	}
	return parts[1]
}

// textOf reads a text field; false if the message has none of that name.
func textOf(m protoreflect.Message, field protoreflect.Name) (string, bool) {
	f := m.Descriptor().Fields().ByName(field)
	if f == nil || f.Kind() != protoreflect.StringKind || f.IsList() {
		return "", false
	}
	return m.Get(f).String(), true
}
