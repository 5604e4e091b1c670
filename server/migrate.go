package main

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"bayhold/migrations"
)

func migrateCommand() *cobra.Command {
	var c config
	var role string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the database's schema up to date",
		Long: `Bring the schema of the database up to date and say where it stands.
Several of these may run at once: one works, the others wait for it.

On a database of yours, run it as the role that owns the tables, and serve as
another one, which --grant gives just what serving takes: it can change neither
the schema nor what the log holds. Once granted, later steps are granted too.`,
		Example: `  psql -c "CREATE ROLE bayhold_server LOGIN PASSWORD '...'"
  server migrate --database postgres://owner@host/bayhold --grant bayhold_server
  server serve --database postgres://bayhold_server@host/bayhold`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runMigrate(cmd.Context(), c, role) },
	}
	c.databaseFlags(cmd.Flags())
	cmd.Flags().StringVar(&role, "grant", "", "give this `role`, which must exist, the rights to serve and no others")
	return cmd
}

func runMigrate(ctx context.Context, c config, role string) error {
	found, err := c.openDatabase(ctx)
	if err != nil {
		return err
	}
	err = migrate(ctx, found)
	if err == nil && role != "" {
		err = migrations.Grant(ctx, found.URL, role)
	}
	if err == nil {
		var have int64
		if have, _, err = migrations.Versions(ctx, found.URL); err == nil {
			fmt.Fprintf(os.Stdout, "the schema is up to date, at version %d\n", have)
		}
	}
	return stopQuietly(found, err)
}
