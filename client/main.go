// Command client is bayhold's command-line client.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"
	_ "time/tzdata" // sites' zones, on machines that carry no zone files

	"bayhold/client/cli"
	"bayhold/internal/clock"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	streams := cli.Streams{
		In: os.Stdin, Out: os.Stdout, Err: os.Stderr,
		Terminal: isTerminal(os.Stderr), Keyboard: isTerminal(os.Stdin), Colours: isTerminal(os.Stdout),
	}
	skew, err := clock.Skew()
	if err != nil {
		fmt.Fprintln(os.Stderr, "bayhold:", err)
		os.Exit(2)
	}
	code := cli.Run(ctx, os.Args[1:], streams, os.Getenv, clock.Off(time.Now, skew))
	stop()
	os.Exit(code)
}

// isTerminal tells whether somebody sits at the other end of a file.
func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	if err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return false
	}
	null, err := os.Stat(os.DevNull) // a device too, where nobody sits
	return err != nil || !os.SameFile(info, null)
}
