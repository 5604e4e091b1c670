package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) whoamiCommand() *cobra.Command {
	return a.command(verb{
		use: "whoami", short: "Who the server takes you for",
		long:    "Show the user, the roles and the token that this program shows to the server.",
		example: "  bayhold whoami",
		args:    cobra.NoArgs, run: a.whoami,
	})
}

func (a *app) whoami(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := p.Access.WhoAmI(ctx, &bayholdv1.WhoAmIRequest{})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printSelf(w, p.clock, resp) })
}

func (a *app) tokenCommand() *cobra.Command {
	return a.group("token", "What shows who you are", "  bayhold token list",
		a.tokenMakeCommand(), a.tokenListCommand(), a.tokenRevokeCommand())
}

// owner gives the name of the user whose tokens are meant: the one that was
// named, or whoever calls.
func (p *place) owner(ctx context.Context, word string) (string, error) {
	if word != "" {
		return p.name(users, word)
	}
	self, err := p.Access.WhoAmI(ctx, &bayholdv1.WhoAmIRequest{})
	return self.GetUser().GetName(), err
}

func userFlag(cmd *cobra.Command, user *string) {
	cmd.Flags().StringVar(user, "user", "", "whose, for administrators; default your own")
}

func (a *app) tokenMakeCommand() *cobra.Command {
	var user, until string
	cmd := a.command(verb{
		use: "make NAME", short: "Make a token",
		long: `Make a token for yourself or, as an administrator, for anybody. It may do all
that its user may. Its text is shown once: whoever has it is that user, so give
each place its own, and name it after the place.

A token is good for 90 days unless --until says otherwise, a year at the most. A
date alone is the end of that day. A name is never used twice.`,
		example: `  bayhold token make counter-pc
  bayhold token make tablet-bay-2 --user mira --until +30d`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.tokenMake(ctx, user, until, args[0]) },
	})
	userFlag(cmd, &user)
	cmd.Flags().StringVar(&until, "until", "", "`time` at which it ends")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) tokenMake(ctx context.Context, user, until, name string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	owner, err := p.owner(ctx, user)
	if err != nil {
		return err
	}
	var expire *timestamppb.Timestamp
	if until != "" {
		at, err := a.when(p.clock, "--until", until, dayEnd)
		if err != nil {
			return err
		}
		expire = stamp(at)
	}
	resp, err := act(ctx, a, bayholdv1.AccessService_MakeToken_FullMethodName, &bayholdv1.MakeTokenRequest{},
		func(requestID string) (*bayholdv1.MakeTokenRequest, error) {
			return &bayholdv1.MakeTokenRequest{Parent: owner, TokenId: name, ExpireTime: expire, RequestId: requestID}, nil
		}, p.Access.MakeToken)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printMadeToken(w, p.clock, resp) })
}

func (a *app) tokenListCommand() *cobra.Command {
	var user string
	cmd := a.command(verb{
		use: "list", short: "List tokens, those of the past too",
		long: "List your tokens or, as an administrator, anybody's. When one was last used is\nknown to some five minutes.",
		example: `  bayhold token list
  bayhold token list --user mira`,
		args: cobra.NoArgs,
		run:  func(ctx context.Context, _ []string) error { return a.tokenList(ctx, user) },
	})
	userFlag(cmd, &user)
	return cmd
}

func (a *app) tokenList(ctx context.Context, user string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	owner, err := p.owner(ctx, user)
	if err != nil {
		return err
	}
	out := &bayholdv1.ListTokensResponse{}
	err = all(func(token string) (string, error) {
		page, err := p.Access.ListTokens(ctx, &bayholdv1.ListTokensRequest{Parent: owner, PageSize: pages, PageToken: token})
		out.Tokens = append(out.Tokens, page.GetTokens()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		a.noun = "user" // that is what was not found
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printTokens(w, p.clock, out.GetTokens()) })
}

func (a *app) tokenRevokeCommand() *cobra.Command {
	var user string
	cmd := a.command(verb{
		use: "revoke NAME", short: "Make a token worth nothing",
		long: "Make a token worth nothing, within two seconds on every server: your own or, as\nan administrator, anybody's.",
		example: `  bayhold token make counter-pc
  bayhold token revoke counter-pc
  bayhold token revoke demo --user mira`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.tokenRevoke(ctx, user, args[0]) },
	})
	userFlag(cmd, &user)
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) tokenRevoke(ctx context.Context, user, name string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	owner, err := p.owner(ctx, user)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.AccessService_RevokeToken_FullMethodName, &bayholdv1.RevokeTokenRequest{},
		func(requestID string) (*bayholdv1.RevokeTokenRequest, error) {
			return &bayholdv1.RevokeTokenRequest{Name: owner + "/tokens/" + name, RequestId: requestID}, nil
		}, p.Access.RevokeToken)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printTokens(w, p.clock, []*bayholdv1.Token{resp.GetToken()}) })
}
