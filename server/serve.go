package main

import (
	"context"
	"os"

	"github.com/spf13/cobra"
)

func serveCommand() *cobra.Command {
	var c config
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Serve a workshop",
		Long: `Serve a workshop over gRPC until interrupted.

Without --database and DATABASE_URL a private PostgreSQL is started, brought up
to date, and stopped with the server. A database of yours is only checked: run
"server migrate" on it first.

Every call must carry the token of a user: "server user add" makes the first.
Only health can be asked without.

With --board the wall board and calendars are served over HTTP: to anybody at
this machine, to others at secret addresses that "server board link" makes. The
rule for encryption is that of --listen.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return serve(cmd.Context(), c) },
	}
	c.databaseFlags(cmd.Flags())
	c.listenFlags(cmd.Flags())
	c.boardFlags(cmd.Flags())
	return cmd
}

func serve(ctx context.Context, c config) error {
	if err := c.mayListen(); err != nil {
		return err
	}
	found, err := c.openDatabase(ctx)
	if err != nil {
		return err
	}
	if err := prepare(ctx, found); err != nil {
		return stopQuietly(found, err)
	}
	log := logger(os.Stderr)
	h, err := open(ctx, found, c, log)
	if err != nil {
		return stopQuietly(found, err)
	}
	if h.wall != nil {
		log.Info("board", "address", h.wall.address())
	}
	log.Info("serving", "address", h.lis.Addr().String())
	err = h.wait(ctx)
	if closeErr := h.close(); err == nil {
		err = closeErr
	}
	return err
}
