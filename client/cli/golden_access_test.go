package cli

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// secretText is what a token reads like; nobody has this one.
const secretText = "bayhold.harbour.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

func fixtureUsers() []*bayholdv1.User {
	added := ts(nov, 2, 8, 0)
	return []*bayholdv1.User{
		{Name: harbour + "/users/anna", DisplayName: "Anna Lindqvist", CreateTime: added, CertificateSubject: "CN=anna,O=harbour", Roles: []bayholdv1.Role{bayholdv1.Role_ROLE_MANAGER, bayholdv1.Role_ROLE_ADMINISTRATOR}},
		{Name: harbour + "/users/ben", DisplayName: "Ben", CreateTime: added, Technician: harbour + "/technicians/ben", Roles: []bayholdv1.Role{bayholdv1.Role_ROLE_TECHNICIAN}},
		{Name: harbour + "/users/old-desk", DisplayName: "old-desk", CreateTime: added, Disabled: true, DisableTime: ts(nov, 20, 17, 30), Roles: []bayholdv1.Role{bayholdv1.Role_ROLE_MANAGER}},
	}
}

func fixtureTokens(user string) []*bayholdv1.Token {
	name := func(id string) string { return harbour + "/users/" + user + "/tokens/" + id }
	return []*bayholdv1.Token{
		{Name: name("counter-pc"), CreateTime: ts(nov, 2, 8, 5), ExpireTime: ts(dec, 31, 8, 5), LastUseTime: ts(nov, 25, 9, 10)},
		{Name: name("first"), CreateTime: ts(nov, 2, 8, 0), ExpireTime: ts(nov, 20, 8, 0)},
		{Name: name("tablet"), CreateTime: ts(nov, 3, 8, 0), ExpireTime: ts(dec, 31, 8, 0), LastUseTime: ts(nov, 10, 12, 0), RevokeTime: ts(nov, 11, 7, 45)},
	}
}

func (f *fake) WhoAmI(context.Context, *bayholdv1.WhoAmIRequest) (*bayholdv1.WhoAmIResponse, error) {
	return &bayholdv1.WhoAmIResponse{Site: harbour, User: fixtureUsers()[0], Token: fixtureTokens("anna")[0]}, nil
}

func (f *fake) GetUser(_ context.Context, r *bayholdv1.GetUserRequest) (*bayholdv1.GetUserResponse, error) {
	u, err := named(fixtureUsers(), r.GetName())
	return &bayholdv1.GetUserResponse{User: u}, err
}

func (f *fake) ListUsers(_ context.Context, r *bayholdv1.ListUsersRequest) (*bayholdv1.ListUsersResponse, error) {
	list, next := page(fixtureUsers(), r.GetPageToken())
	return &bayholdv1.ListUsersResponse{Users: list, NextPageToken: next}, nil
}

func (f *fake) AddUser(_ context.Context, r *bayholdv1.AddUserRequest) (*bayholdv1.AddUserResponse, error) {
	u := r.GetUser()
	u.CreateTime = ts(nov, 25, 9, 12)
	return &bayholdv1.AddUserResponse{User: u}, nil
}

func (f *fake) UpdateUser(_ context.Context, r *bayholdv1.UpdateUserRequest) (*bayholdv1.UpdateUserResponse, error) {
	u, err := named(fixtureUsers(), r.GetUser().GetName())
	for _, path := range r.GetUpdateMask().GetPaths() {
		switch path {
		case "roles":
			u.Roles = r.GetUser().GetRoles()
		case "technician":
			u.Technician = r.GetUser().GetTechnician()
		case "certificate_subject":
			u.CertificateSubject = r.GetUser().GetCertificateSubject()
		case "disabled":
			u.Disabled, u.DisableTime = r.GetUser().GetDisabled(), nil
			if u.GetDisabled() {
				u.DisableTime = ts(nov, 25, 9, 12)
			}
		}
	}
	return &bayholdv1.UpdateUserResponse{User: u}, err
}

func (f *fake) ListTokens(_ context.Context, r *bayholdv1.ListTokensRequest) (*bayholdv1.ListTokensResponse, error) {
	list, next := page(fixtureTokens(id(r.GetParent())), r.GetPageToken())
	return &bayholdv1.ListTokensResponse{Tokens: list, NextPageToken: next}, nil
}

func (f *fake) MakeToken(_ context.Context, r *bayholdv1.MakeTokenRequest) (*bayholdv1.MakeTokenResponse, error) {
	t := &bayholdv1.Token{Name: r.GetParent() + "/tokens/" + r.GetTokenId(), CreateTime: ts(nov, 25, 9, 12), ExpireTime: r.GetExpireTime()}
	if t.GetExpireTime() == nil {
		t.ExpireTime = ts(nov, 25+90, 9, 12)
	}
	return &bayholdv1.MakeTokenResponse{Token: t, Text: secretText}, nil
}

func (f *fake) RevokeToken(_ context.Context, r *bayholdv1.RevokeTokenRequest) (*bayholdv1.RevokeTokenResponse, error) {
	owner, _, _ := strings.Cut(r.GetName(), "/tokens/")
	t, err := named(fixtureTokens(id(owner)), r.GetName())
	if t != nil {
		t.RevokeTime = ts(nov, 25, 9, 12)
	}
	return &bayholdv1.RevokeTokenResponse{Token: t}, err
}

// accessCases are the command lines about users and tokens.
func accessCases() []goldenCase {
	return []goldenCase{
		{"whoami", []string{"whoami"}, nil},
		{"whoami-soon", []string{"whoami"}, func(f *fake) {
			me := &bayholdv1.WhoAmIResponse{Site: harbour, User: fixtureUsers()[1], Token: fixtureTokens("ben")[0]}
			me.Token.ExpireTime = ts(dec, 1, 8, 0)
			f.reply["WhoAmI"] = me
		}},
		{"whoami-certificate", []string{"whoami"}, func(f *fake) {
			f.reply["WhoAmI"] = &bayholdv1.WhoAmIResponse{Site: harbour, User: fixtureUsers()[0]}
		}},
		{"user-list", []string{"user", "list"}, nil},
		{"user-show", []string{"user", "show", "old-desk"}, nil},
		{"user-add", []string{"user", "add", "carla", "--role", "technician", "--technician", "carla", "--name", "Carla"}, nil},
		{"user-add-role", []string{"user", "add", "carla", "--role", "owner"}, nil},
		{"user-roles", []string{"user", "roles", "ben", "manager", "technician"}, nil},
		{"user-roles-last", []string{"user", "roles", "anna", "manager"}, failing("UpdateUser", codes.FailedPrecondition,
			"anna is the site's only administrator, and nobody could give rights any more: make somebody else one first",
			&errdetails.ErrorInfo{Reason: "LAST_ADMINISTRATOR", Domain: "bayhold"})},
		{"user-change", []string{"user", "change", "anna", "--certificate", "none"}, nil},
		{"user-disable", []string{"user", "disable", "ben"}, nil},
		{"user-enable", []string{"user", "enable", "old-desk"}, nil},
		{"token-make", []string{"token", "make", "tablet-bay-2"}, nil},
		{"token-make-again", []string{"token", "make", "tablet-bay-2", "--user", "ben"}, func(f *fake) {
			f.reply["MakeToken"] = &bayholdv1.MakeTokenResponse{Token: fixtureTokens("ben")[0]}
		}},
		{"token-list", []string{"token", "list", "--user", "ben"}, nil},
		{"token-list-none", []string{"token", "list"}, func(f *fake) { f.reply["ListTokens"] = &bayholdv1.ListTokensResponse{} }},
		{"token-revoke", []string{"token", "revoke", "counter-pc"}, nil},
		{"token-denied", []string{"token", "list", "--user", "ben"}, failing("ListTokens", codes.PermissionDenied,
			"you are mia, and the tokens of another are for themselves and for an administrator: ask one",
			&errdetails.ErrorInfo{Reason: "OTHER_USER", Domain: "bayhold"})},
		{"error-no-token", []string{"bay", "list"}, failing("ListSites", codes.Unauthenticated,
			"this server wants to know who calls: give a token with --token or BAYHOLD_TOKEN; the first is made on the server's machine with server user add",
			&errdetails.ErrorInfo{Reason: "NO_TOKEN", Domain: "bayhold"})},
	}
}

func TestUserCommandsAskForWhatTheySay(t *testing.T) {
	f := newFake(t)
	f.run(t, "user", "roles", "ben", "administrator", "technician", "--technician", "ben")
	roles := last[*bayholdv1.UpdateUserRequest](t, f)
	if got := roles.GetUpdateMask().GetPaths(); strings.Join(got, " ") != "roles technician" {
		t.Errorf("user roles changes %v", got)
	}
	if got := roles.GetUser(); len(got.GetRoles()) != 2 || got.GetTechnician() != harbour+"/technicians/ben" || got.GetName() != harbour+"/users/ben" {
		t.Errorf("user roles asks for %v", got)
	}
	f.run(t, "user", "change", "ben", "--technician", "none")
	if got := last[*bayholdv1.UpdateUserRequest](t, f); got.GetUser().GetTechnician() != "" || strings.Join(got.GetUpdateMask().GetPaths(), " ") != "technician" {
		t.Errorf("user change --technician none asks for %v", got)
	}
	f.run(t, "token", "make", "x", "--until", "2026-12-24")
	want := time.Date(2026, time.December, 25, 0, 0, 0, 0, berlin)
	if got := last[*bayholdv1.MakeTokenRequest](t, f); got.GetParent() != harbour+"/users/anna" || got.GetTokenId() != "x" || !got.GetExpireTime().AsTime().Equal(want) {
		t.Errorf("token make asks for %v", got)
	}
	f.run(t, "token", "revoke", "x", "--user", "users/ben")
	if got := last[*bayholdv1.RevokeTokenRequest](t, f).GetName(); got != harbour+"/users/ben/tokens/x" {
		t.Errorf("token revoke asks for %s", got)
	}
	if r := f.run(t, "user", "change", "ben"); r.code != exitUsage {
		t.Errorf("a change of nothing ends with %d", r.code)
	}
}
