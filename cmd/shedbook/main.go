// Command shedbook keeps the log of a fleet of liquid-cooled off-road machines
// in one file, and does the arithmetic on it.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // asked a second time it goes at once, whatever it waits for
	os.Exit(run(ctx, system(), os.Args[1:]))
}
