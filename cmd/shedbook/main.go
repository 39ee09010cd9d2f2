// Command shedbook keeps the log of a fleet of liquid-cooled off-road machines
// in one file, and does the arithmetic on it.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"
)

// grace is how long a run that was asked to stop may take to put things in
// order. What it does not come to, as after a power cut, the book bears.
const grace = 2 * time.Second

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, func() {
		stop() // asked a second time it goes at once, whatever it waits for
		time.Sleep(grace)
		os.Stderr.WriteString("shedbook: stopped\n")
		os.Exit(exitFailed)
	})
	os.Exit(run(ctx, system(), os.Args[1:]))
}
