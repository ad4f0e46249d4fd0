// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"time"

	"airhold/config"
	"airhold/firmware"
	"airhold/firmware/clock"
	"airhold/firmware/rig"
	"airhold/firmware/store"
)

const demoUsage = `airhold demo: the whole box on a simulated machine. Everything it shows is invented.

  airhold demo [--story NAME] [--rate N] [--listen HOST:PORT] [--broker tcp://HOST:PORT] [--data DIR] [--seed N] [--skip TIME]

  --story NAME    what happens (default planting-day):
%s
  --rate N        how many times real time, 1 to 600 (default 1)
  --listen H:P    where the page is (default 127.0.0.1:8080)
  --mqtt H:P      where the broker inside listens for other screens (default 127.0.0.1:1883), or off
  --broker URL    use another MQTT broker instead of the one inside
  --data DIR      keep the log and the journal there (default: a folder that is removed at the end)
  --seed N        another day of the same kind (default 1)
  --skip TIME     begin this far into the story, such as 4h20m
  --verbose       say on standard error what goes on inside
`

func runDemo(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	fs := flag.NewFlagSet("demo", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	story := fs.String("story", "planting-day", "")
	rate := fs.Float64("rate", 1, "")
	listen := fs.String("listen", "127.0.0.1:8080", "")
	mqtt := fs.String("mqtt", "127.0.0.1:1883", "")
	broker := fs.String("broker", "", "")
	data := fs.String("data", "", "")
	seed := fs.Uint64("seed", 1, "")
	skip := fs.Duration("skip", 0, "")
	verbose := fs.Bool("verbose", false, "")
	help := func(w io.Writer) { fmt.Fprintf(w, demoUsage, storyList()) }
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	if *rate < 1 || *rate > 600 {
		return wrongUsage("demo", stderr, "--rate %v: the simulated day runs at 1 to 600 times real time", *rate)
	}
	r, err := rig.New(rig.Options{Seed: *seed, Story: *story, Skip: *skip, StallTimesOut: true})
	if err != nil {
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitUsage
	}
	defer r.Close() //nolint:errcheck // nothing of it is kept
	dir, remove, err := demoFolder(*data)
	if err != nil {
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitFailed
	}
	defer remove()
	m := config.ExampleMachine()
	m.Simulated = true
	m.Page.Listen, m.MQTT.Broker, m.MQTT.Listen, m.Logging.Dir = *listen, *broker, *mqtt, dir
	// The invented day has this computer's time of day, so that the page's clock and the story agree.
	day := r.Clock(0)
	day = time.Date(day.Year(), day.Month(), day.Day(), day.Hour(), day.Minute(), day.Second(), 0, time.Local)
	c := clock.NewVirtual(day, *rate)
	log := slog.New(slog.DiscardHandler)
	if *verbose {
		log = slog.New(slog.NewTextHandler(stderr, nil))
	}
	kept, err := store.Open(dir, store.Options{Clock: c, Log: log})
	if err != nil {
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitFailed
	}
	defer kept.Close()                                                    //nolint:errcheck // reported by its log
	if err := remember(kept, firmware.RigMemory(r, m, day)); err != nil { //nolint:contextcheck // the store commits by itself, to the end
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitFailed
	}
	box, err := firmware.NewBox(firmware.BoxOptions{
		Machine: m, Text: config.Example(), Clock: c, Wires: firmware.RigWires(r, c), Store: kept, Boot: bootID(), Software: version(),
		Simulated: true, Story: *story, Rate: *rate, Log: log,
		Ready: func(a firmware.Addresses) { demoGreeting(stdout, r, a, *rate, *data) },
	})
	if err != nil {
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitFailed
	}
	if err := box.Run(ctx); err != nil {
		fmt.Fprintf(stderr, "airhold demo: %v\n", err)
		return exitFailed
	}
	fmt.Fprintln(stdout, "The simulated day is over.")
	return exitOK
}

// remember gives a new box what it would remember of the days before the story.
func remember(kept *store.Store, memory map[string][]byte) error {
	if learned, err := kept.Learned(); err != nil || len(learned) > 0 {
		return err
	}
	for name, value := range memory {
		kept.KeepLearned(name, value)
	}
	return kept.Commit()
}

func storyList() string {
	var b strings.Builder
	for _, s := range rig.Stories() {
		fmt.Fprintf(&b, "                    %-13s %s\n", s.Name, s.Words)
	}
	return strings.TrimRight(b.String(), "\n")
}

func demoFolder(named string) (dir string, remove func(), err error) {
	if named != "" {
		return named, func() {}, os.MkdirAll(named, 0o750)
	}
	dir, err = os.MkdirTemp("", "airhold-demo-")
	return dir, func() { _ = os.RemoveAll(dir) }, err
}

func demoGreeting(w io.Writer, r *rig.Rig, a firmware.Addresses, rate float64, data string) {
	s := r.Story()
	fmt.Fprintf(w, "A SIMULATED planter, invented from end to end: %q, %s\n", s.Name, s.Words)
	fmt.Fprintf(w, "  page   %s/\n", a.Page)
	if a.MQTT != "" {
		fmt.Fprintf(w, "  mqtt   %s, topics airhold/v1/#\n", a.MQTT)
	}
	if data != "" {
		fmt.Fprintf(w, "  log    %s\n", data)
	}
	fmt.Fprintf(w, "It is %s there, at %s times real time. Stop with Ctrl-C.\n", r.Clock(0).Format("15:04"), strconv.FormatFloat(rate, 'f', -1, 64))
}

// bootID names this run: the time it began, which sorts, and the process, which tells two of one second apart.
func bootID() string {
	return strings.ToLower(time.Now().UTC().Format("20060102t150405")) + "-" + strconv.Itoa(os.Getpid())
}
