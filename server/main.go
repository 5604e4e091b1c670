// The server of bayhold: serve keeps a workshop's bookings, migrate prepares
// its database, demo shows the main job on an invented workshop, user and token
// let the first of a workshop's people in, cert makes certificates.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // a workshop's clock must not depend on what the machine has installed

	"github.com/spf13/cobra"

	"bayhold/internal/fault"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	root := command()
	if err := root.ExecuteContext(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "server:", explain(err))
		stop()
		os.Exit(1)
	}
}

func command() *cobra.Command {
	root := &cobra.Command{
		Use:           "server",
		Short:         "Keeps an engine workshop's bays, people and special tools booked",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddCommand(serveCommand(), migrateCommand(), demoCommand(), userCommand(), tokenCommand(), certCommand(), boardCommand())
	return root
}

// explain gives the sentence for people, and the fields that go with it.
func explain(err error) string {
	f := fault.Fault(err)
	if f == nil {
		return err.Error()
	}
	out := f.Message
	for _, field := range f.Fields {
		out += fmt.Sprintf("\n  %s: %s", field.Path, field.Message)
	}
	if f.Cause != nil && !errors.Is(f.Cause, context.Canceled) {
		out += fmt.Sprintf("\n  cause: %v", f.Cause)
	}
	return out
}
