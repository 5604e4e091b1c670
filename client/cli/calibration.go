package cli

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) calibrationCommand() *cobra.Command {
	return a.group("calibration", "Certificates of torque tools, and when they fall due", "  bayhold calibration due",
		a.calibrationRecordCommand(),
		a.calibrationListCommand(),
		a.calibrationShowCommand(),
		a.calibrationCheckCommand(),
		a.calibrationEventCommand(),
		a.calibrationDueCommand(),
		a.calibrationAwayCommand(),
		a.calibrationReviewCommand(),
		a.calibrationPolicyCommand(),
		a.calibrationTraceCommand(),
		a.calibrationCloseCommand(),
		a.calibrationTighteningsCommand(),
		a.calibrationAuditCommand(),
	)
}

func (a *app) calibrationListCommand() *cobra.Command {
	var tool string
	cmd := a.command(verb{
		use: "list", short: "List certificates by date",
		example: `  bayhold calibration list
  bayhold calibration list --tool TW-100-2`,
		args: cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			parent := p.site.GetName()
			if tool != "" {
				if parent, err = p.name(tools, tool); err != nil {
					return err
				}
			}
			out, err := p.listCertificates(ctx, parent)
			if err != nil {
				return err
			}
			return a.answer(out, func(w io.Writer) { a.printCertificates(w, out.GetCertificates()) })
		},
	})
	cmd.Flags().StringVar(&tool, "tool", "", "only of this tool")
	return cmd
}

// listCertificates reads every certificate of a tool or of a site.
func (p *place) listCertificates(ctx context.Context, parent string) (*bayholdv1.ListCertificatesResponse, error) {
	out := &bayholdv1.ListCertificatesResponse{}
	err := all(func(token string) (string, error) {
		page, err := p.Calibration.ListCertificates(ctx, &bayholdv1.ListCertificatesRequest{
			Parent: parent, PageSize: pages, PageToken: token,
		})
		out.Certificates = append(out.Certificates, page.GetCertificates()...)
		return page.GetNextPageToken(), err
	})
	return out, err
}

func (a *app) calibrationShowCommand() *cobra.Command {
	var save string
	cmd := a.command(verb{
		use: "show TOOL NUMBER", short: "Show a certificate with every reading and its verdict",
		example: `  bayhold calibration show TW-100-2 HM-2301
  bayhold calibration show TW-100-2 HM-2301 --save HM-2301.pdf  # refused: no paper is kept with it`,
		args: cobra.ExactArgs(2),
		run:  func(ctx context.Context, args []string) error { return a.calibrationShow(ctx, args, save) },
	})
	cmd.Flags().StringVar(&save, "save", "", "write the paper that was kept to this new `file`")
	return cmd
}

func (a *app) calibrationShow(ctx context.Context, args []string, save string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	tool, err := p.name(tools, args[0])
	if err != nil {
		return err
	}
	list, err := p.listCertificates(ctx, tool)
	if err != nil {
		return err
	}
	for _, c := range list.GetCertificates() {
		if c.GetNumber() == args[1] {
			resp := &bayholdv1.GetCertificateResponse{Certificate: c}
			if save != "" {
				if err := p.saveDocument(ctx, c, save); err != nil {
					return err
				}
			}
			return a.answer(resp, func(w io.Writer) { a.printCertificate(w, c) })
		}
	}
	return local(codes.NotFound, "NOT_FOUND", "tool %s has no certificate %q", args[0], args[1])
}

// saveDocument writes the paper of a certificate to a file that is not there yet.
func (p *place) saveDocument(ctx context.Context, c *bayholdv1.Certificate, path string) error {
	got, err := p.Calibration.GetCertificate(ctx, &bayholdv1.GetCertificateRequest{Name: c.GetName(), WithDocument: true})
	if err != nil {
		return err
	}
	if len(got.GetDocument()) == 0 {
		return local(codes.NotFound, "NO_DOCUMENT", "no paper was kept with certificate %q", c.GetNumber())
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fileProblem("write", path, err)
	}
	_, err = file.Write(got.GetDocument())
	if err := errors.Join(err, file.Close()); err != nil {
		return fileProblem("write", path, err)
	}
	return nil
}

func (a *app) calibrationDueCommand() *cobra.Command {
	within := "90d"
	cmd := a.command(verb{
		use: "due [--within TIME]", short: "List tools that fall due, with the bookings that this hits",
		long: `List tools that are out of calibration by the end of the time, the most urgent
first, and with each of them the bookings that end after its calibration: they
would lose it. Planning and booking go by the same rule: a tool must be in
calibration to the end of its span.`,
		example: "  bayhold calibration due\n  bayhold calibration due --within 30d",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			// A length is meant from now on.
			at, err := p.clock.read("+"+strings.TrimPrefix(within, "+"), dayEnd)
			if err != nil {
				return usage("--within: %s", err)
			}
			resp, err := p.Calibration.ListDue(ctx, &bayholdv1.ListDueRequest{
				Parent: p.site.GetName(), HorizonTime: stamp(at.at),
			})
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) { a.printDue(w, p.clock, at.at, resp) })
		},
	})
	cmd.Flags().StringVar(&within, "within", within, "how far to look ahead, as `length` of time")
	return cmd
}

// past reads a time that has been; now if none is given.
func (a *app) past(c clock, flag, text string) (time.Time, error) {
	return a.maybeWhen(c, flag, text, dayStart, c.now.Truncate(time.Minute))
}
