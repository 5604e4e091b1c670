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
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Bring the database's schema up to date",
		Long: `Bring the schema of the database up to date and say where it stands.
Several of these may run at once: one works, the others wait for it.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runMigrate(cmd.Context(), c) },
	}
	c.databaseFlags(cmd.Flags())
	return cmd
}

func runMigrate(ctx context.Context, c config) error {
	found, err := c.openDatabase(ctx)
	if err != nil {
		return err
	}
	err = migrate(ctx, found.URL)
	if err == nil {
		var have int64
		if have, _, err = migrations.Versions(ctx, found.URL); err == nil {
			fmt.Fprintf(os.Stdout, "the schema is up to date, at version %d\n", have)
		}
	}
	return stopQuietly(found, err)
}
