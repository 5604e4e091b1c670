package cli

import (
	"context"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) userCommand() *cobra.Command {
	return a.group("user", "Who may call, and as what", "  bayhold user list",
		a.command(verb{
			use: "list", short: "List the users with their roles", example: "  bayhold user list",
			args: cobra.NoArgs, run: a.userList,
		}),
		a.command(verb{
			use: "show USER", short: "Show a user", example: `  bayhold user show vera`,
			args: cobra.ExactArgs(1), run: a.userShow,
		}),
		a.userAddCommand(),
		a.userRolesCommand(),
		a.userChangeCommand(),
		a.userTurnCommand("disable", "Turn a user away from now on",
			`Turn a user away, within two seconds on every server, with all of their tokens
and their certificate. The user stays on record. The site's last administrator
cannot be turned away.`, true),
		a.userTurnCommand("enable", "Let a user in again",
			"Let a user in again, with the tokens that they had unless those have expired or\nwere revoked.", false),
	)
}

func (a *app) userList(ctx context.Context, _ []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	out := &bayholdv1.ListUsersResponse{}
	err = all(func(token string) (string, error) {
		page, err := p.Access.ListUsers(ctx, &bayholdv1.ListUsersRequest{Parent: p.site.GetName(), PageSize: pages, PageToken: token})
		out.Users = append(out.Users, page.GetUsers()...)
		return page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return a.answer(out, func(w io.Writer) { a.printUsers(w, out.GetUsers()) })
}

func (a *app) userShow(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	name, err := p.name(users, args[0])
	if err != nil {
		return err
	}
	resp, err := p.Access.GetUser(ctx, &bayholdv1.GetUserRequest{Name: name})
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printUser(w, p.clock, resp.GetUser()) })
}

// userFlags are what is said of a user.
type userFlags struct {
	name, technician, certificate string
	roles                         []string
}

func (f *userFlags) register(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.name, "name", "", "name for people")
	fl.StringVar(&f.technician, "technician", "", "which of the site's `technician`s they are, or none")
	fl.StringVar(&f.certificate, "certificate", "", "`subject` of their client certificate, or none")
}

// user makes the message.
func (f *userFlags) user(p *place, word string) (*bayholdv1.User, error) {
	name, err := p.name(users, word)
	if err != nil {
		return nil, err
	}
	u := &bayholdv1.User{Name: name, DisplayName: f.name}
	if !strings.EqualFold(f.certificate, "none") {
		u.CertificateSubject = f.certificate
	}
	if !strings.EqualFold(f.technician, "none") {
		if u.Technician, err = p.maybeName(technicians, f.technician); err != nil {
			return nil, err
		}
	}
	u.Roles, err = readRoles(f.roles)
	return u, err
}

func readRoles(words []string) ([]bayholdv1.Role, error) {
	var out []bayholdv1.Role
	for _, w := range words {
		value := bayholdv1.Role_value["ROLE_"+strings.ToUpper(w)]
		if value == 0 {
			return nil, usage("%q is no role; there are manager, technician and administrator", w)
		}
		out = append(out, bayholdv1.Role(value))
	}
	return out, nil
}

func (a *app) userAddCommand() *cobra.Command {
	var f userFlags
	cmd := a.command(verb{
		use: "add USER --role ROLE", short: "Take in a new user",
		long: `Take in a new user with one or more roles: manager, technician, administrator.
Whoever is only a technician acts in their own name, so say with --technician
which of the site's technicians they are.

A new user can do nothing yet: make them a token, or name the client
certificate that is theirs. There are no passwords. A name, roles and the
technician are all that is kept of a user.`,
		example: `  bayhold user add anna --role manager --role administrator
  bayhold user add ben --role technician --technician lio-castel
  bayhold user add scanner --role technician --technician sena-holt --certificate "CN=scanner,O=quillgate"`,
		args: cobra.ExactArgs(1),
		run:  func(ctx context.Context, args []string) error { return a.userAdd(ctx, &f, args[0]) },
	})
	f.register(cmd)
	cmd.Flags().StringSliceVar(&f.roles, "role", nil, "what they do here; may be repeated")
	require(cmd, "role")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) userAdd(ctx context.Context, f *userFlags, word string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	user, err := f.user(p, word)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.AccessService_AddUser_FullMethodName, &bayholdv1.AddUserRequest{},
		func(requestID string) (*bayholdv1.AddUserRequest, error) {
			return &bayholdv1.AddUserRequest{Parent: p.site.GetName(), User: user, RequestId: requestID}, nil
		}, p.Access.AddUser)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		a.printUser(w, p.clock, resp.GetUser())
		a.next(w, "make them a token:", a.again("token", "make", "NAME", "--user", id(resp.GetUser().GetName())))
	})
}

func (a *app) userRolesCommand() *cobra.Command {
	var f userFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "roles USER ROLE...", short: "Say what a user may do from now on",
		long: `Replace a user's roles: manager, technician, administrator. They hold within two
seconds. The site's last administrator stays one.`,
		example: `  bayhold user roles vera manager administrator
  bayhold user roles mira technician --technician mira-osei`,
		args: cobra.MinimumNArgs(2),
		run: func(ctx context.Context, args []string) error {
			f.roles = args[1:]
			mask := &fieldmaskpb.FieldMask{Paths: []string{"roles"}}
			if cmd.Flags().Changed("technician") {
				mask.Paths = append(mask.Paths, "technician")
			}
			return a.userUpdate(ctx, &f, args[0], mask, false)
		},
	})
	cmd.Flags().StringVar(&f.technician, "technician", "", "which of the site's `technician`s they are, or none")
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) userChangeCommand() *cobra.Command {
	var f userFlags
	var cmd *cobra.Command
	cmd = a.command(verb{
		use: "change USER", short: "Change a user's name, technician or certificate",
		long: `Change a user; "none" takes the technician or the certificate away. Of a client
certificate its subject counts, which names the site's id as the organisation.`,
		example: `  bayhold user change vera --certificate "CN=vera,O=quillgate"
  bayhold user change mira --technician tove-anker`,
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			mask, err := maskOf(cmd, map[string]string{"name": "display_name", "technician": "technician", "certificate": "certificate_subject"})
			if err != nil {
				return err
			}
			return a.userUpdate(ctx, &f, args[0], mask, false)
		},
	})
	f.register(cmd)
	a.requestIDFlag(cmd)
	return cmd
}

// userTurnCommand makes the commands that turn a user away and let them in.
func (a *app) userTurnCommand(word, short, long string, off bool) *cobra.Command {
	cmd := a.command(verb{
		use: word + " USER", short: short, long: long, example: "  bayhold user " + word + " vera",
		args: cobra.ExactArgs(1),
		run: func(ctx context.Context, args []string) error {
			return a.userUpdate(ctx, &userFlags{}, args[0], &fieldmaskpb.FieldMask{Paths: []string{"disabled"}}, off)
		},
	})
	a.requestIDFlag(cmd)
	return cmd
}

func (a *app) userUpdate(ctx context.Context, f *userFlags, word string, mask *fieldmaskpb.FieldMask, off bool) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	user, err := f.user(p, word)
	if err != nil {
		return err
	}
	user.Disabled = off
	resp, err := act(ctx, a, bayholdv1.AccessService_UpdateUser_FullMethodName, &bayholdv1.UpdateUserRequest{},
		func(requestID string) (*bayholdv1.UpdateUserRequest, error) {
			return &bayholdv1.UpdateUserRequest{User: user, UpdateMask: mask, RequestId: requestID}, nil
		}, p.Access.UpdateUser)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) { a.printUser(w, p.clock, resp.GetUser()) })
}
