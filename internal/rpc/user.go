package rpc

import (
	"context"
	"fmt"
	"strings"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type accessService struct {
	bayholdv1.UnimplementedAccessServiceServer
	shop *workshop.Workshop
}

func (s accessService) WhoAmI(ctx context.Context, _ *bayholdv1.WhoAmIRequest) (*bayholdv1.WhoAmIResponse, error) {
	self, err := s.shop.Self(ctx)
	if err != nil {
		return nil, err
	}
	out := &bayholdv1.WhoAmIResponse{Site: "sites/" + self.Site.ID, User: writeUser(self.Site.ID, self.User)}
	if self.Token.Name != "" {
		out.Token = writeToken(self.Site.ID, self.Token)
	}
	return out, nil
}

func (s accessService) GetUser(ctx context.Context, req *bayholdv1.GetUserRequest) (*bayholdv1.GetUserResponse, error) {
	siteID, id, err := parse("name", req.GetName(), users)
	if err != nil {
		return nil, err
	}
	u, err := s.shop.User(ctx, siteID, id)
	return &bayholdv1.GetUserResponse{User: writeUser(siteID, u)}, err
}

func (s accessService) ListUsers(ctx context.Context, req *bayholdv1.ListUsersRequest) (*bayholdv1.ListUsersResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.Users, func(u site.User) string { return u.ID }, writeUser)
	return &bayholdv1.ListUsersResponse{Users: list, NextPageToken: next}, err
}

func (s accessService) AddUser(ctx context.Context, req *bayholdv1.AddUserRequest) (*bayholdv1.AddUserResponse, error) {
	siteID, err := siteName("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	id, err := parseWithin("user.name", req.GetUser().GetName(), users, siteID)
	if err != nil {
		return nil, err
	}
	u := site.User{ID: id, Name: req.GetUser().GetDisplayName(), Subject: req.GetUser().GetCertificateSubject()}
	if u.Technician, err = readTechnician(siteID, req.GetUser()); err != nil {
		return nil, err
	}
	if u.Roles, err = readRoles(req.GetUser().GetRoles()); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	u, err = s.shop.AddUser(ctx, act, u)
	return &bayholdv1.AddUserResponse{User: writeUser(siteID, u)}, err
}

func (s accessService) UpdateUser(ctx context.Context, req *bayholdv1.UpdateUserRequest) (*bayholdv1.UpdateUserResponse, error) {
	siteID, id, err := parse("user.name", req.GetUser().GetName(), users)
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "display_name", "roles", "technician", "certificate_subject", "disabled")
	if err != nil {
		return nil, err
	}
	technician, err := readTechnician(siteID, req.GetUser())
	if err != nil {
		return nil, err
	}
	roles, err := readRoles(req.GetUser().GetRoles())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	u, err := s.shop.EditUser(ctx, act, id, func(u *site.User) {
		if mask["display_name"] {
			u.Name = req.GetUser().GetDisplayName()
		}
		if mask["roles"] {
			u.Roles = roles
		}
		if mask["technician"] {
			u.Technician = technician
		}
		if mask["certificate_subject"] {
			u.Subject = req.GetUser().GetCertificateSubject()
		}
		if mask["disabled"] {
			u.Disable(req.GetUser().GetDisabled(), s.shop.Now())
		}
	})
	return &bayholdv1.UpdateUserResponse{User: writeUser(siteID, u)}, err
}

func (s accessService) ListTokens(ctx context.Context, req *bayholdv1.ListTokensRequest) (*bayholdv1.ListTokensResponse, error) {
	siteID, user, err := parse("parent", req.GetParent(), users)
	if err != nil {
		return nil, err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, err
	}
	list, err := s.shop.Tokens(ctx, siteID, user, workshop.Page{After: p.cursor, Limit: p.ask()})
	if err != nil {
		return nil, err
	}
	list, next := cut(p, list, func(t site.Token) string { return t.Name })
	out := &bayholdv1.ListTokensResponse{NextPageToken: next}
	for _, t := range list {
		out.Tokens = append(out.Tokens, writeToken(siteID, t))
	}
	return out, nil
}

func (s accessService) MakeToken(ctx context.Context, req *bayholdv1.MakeTokenRequest) (*bayholdv1.MakeTokenResponse, error) {
	siteID, user, err := parse("parent", req.GetParent(), users)
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	t := site.Token{User: user, Name: req.GetTokenId(), Expires: instant(&fs, "expire_time", req.GetExpireTime())}
	if err := fs.Err("TOKEN", "the token cannot be made"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	made, err := s.shop.MakeToken(ctx, act, t)
	if err != nil {
		return nil, err
	}
	return &bayholdv1.MakeTokenResponse{Token: writeToken(siteID, made.Token), Text: made.Secret}, nil
}

func (s accessService) RevokeToken(ctx context.Context, req *bayholdv1.RevokeTokenRequest) (*bayholdv1.RevokeTokenResponse, error) {
	siteID, user, name, err := parseToken("name", req.GetName())
	if err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	t, err := s.shop.RevokeToken(ctx, act, user, name)
	return &bayholdv1.RevokeTokenResponse{Token: writeToken(siteID, t)}, err
}

// parseToken reads "sites/{site}/users/{user}/tokens/{token}".
func parseToken(field, name string) (siteID, user, token string, err error) {
	owner, token, ok := strings.Cut(name, "/"+tokens+"/")
	if ok {
		siteID, user, err = parse(field, owner, users)
	}
	if !ok || err != nil || !segment.MatchString(token) {
		return "", "", "", badName(field, name, "sites/{site}/users/{user}/tokens/{token}")
	}
	return siteID, user, token, nil
}

// readTechnician reads who a user is among the technicians; empty for none.
func readTechnician(siteID string, u *bayholdv1.User) (string, error) {
	if u.GetTechnician() == "" {
		return "", nil
	}
	return parseWithin("user.technician", u.GetTechnician(), technicians, siteID)
}

func readRoles(list []bayholdv1.Role) ([]access.Role, error) {
	var fs fault.Fields
	var out []access.Role
	for i, r := range list {
		role := roleFromProto[r]
		if role == "" {
			fs.Add(fmt.Sprintf("user.roles[%d]", i), "must be one of %v", access.Roles)
		}
		out = append(out, role)
	}
	return out, fs.Err("USER", "the user cannot be kept")
}

func writeUser(siteID string, u site.User) *bayholdv1.User {
	out := &bayholdv1.User{
		Name: nameOf(siteID, users, u.ID), DisplayName: u.Name, CertificateSubject: u.Subject,
		Disabled: !u.Disabled.IsZero(), DisableTime: stamp(u.Disabled), CreateTime: stamp(u.Created),
		CertificateUseTime: stamp(u.SubjectUsed),
	}
	if u.Technician != "" {
		out.Technician = nameOf(siteID, technicians, u.Technician)
	}
	for _, r := range u.Roles {
		for wire, role := range roleFromProto {
			if role == r {
				out.Roles = append(out.Roles, wire)
			}
		}
	}
	return out
}

func writeToken(siteID string, t site.Token) *bayholdv1.Token {
	return &bayholdv1.Token{
		Name:       nameOf(siteID, users, t.User) + "/" + tokens + "/" + t.Name,
		CreateTime: stamp(t.Created), ExpireTime: stamp(t.Expires), LastUseTime: stamp(t.LastUsed), RevokeTime: stamp(t.Revoked),
	}
}
