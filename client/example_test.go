package client_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log"
	"os"
	"time"

	"soakrig/client"
	"soakrig/daemon/record"
)

// A load script marks the load, and stops the run when its own work is done.
func Example() {
	ctx := context.Background()
	rig, err := client.Dial(ctx, "127.0.0.1:7640", client.Options{})
	if errors.Is(err, client.ErrUnreachable) {
		log.Fatal(err) // the text says what to check
	}
	if err != nil {
		log.Fatal(err)
	}
	defer rig.Close()
	run, _, err := rig.Start(ctx, client.StartRequest{
		Unit:  "carrier A",
		Setup: record.Setup{Name: "boosted", Conditions: map[string]string{"fans": "2"}},
		LoadS: 3600,
	})
	if err != nil {
		log.Fatal(err)
	}
	if _, _, err := rig.Mark(ctx, "load start", "load script"); err != nil {
		log.Fatal(err)
	}
	err = rig.Watch(ctx, time.Second, nil, func(live *record.Live, ended *client.Run) error {
		switch {
		case ended != nil && ended.Result != nil:
			fmt.Println(run, ended.Result.Verdict)
			return errDone
		case live != nil && live.HotC != nil:
			fmt.Printf("%s: %s at %.1f degC\n", live.Phase, live.HotChannel, *live.HotC)
		}
		return nil
	})
	if !errors.Is(err, errDone) {
		log.Fatal(err)
	}
}

var errDone = errors.New("done")

// A recorder keeps its cursor in a file, so that it goes on where it stopped.
func ExampleClient_Tail() {
	ctx := context.Background()
	rig, err := client.Dial(ctx, "bench-2.lab:7640", client.Options{CAFile: "lab-ca.pem", TokenFile: "token", Lazy: true})
	if err != nil {
		log.Fatal(err)
	}
	defer rig.Close()
	var from client.Cursor
	if text, err := os.ReadFile("cursor.json"); err == nil {
		if err := json.Unmarshal(text, &from); err != nil {
			log.Fatal(err)
		}
	}
	cursor, err := rig.Tail(ctx, from, client.TailOptions{}, func(e *client.Event) error {
		switch e.Kind {
		case client.KindSample:
			for i := range e.Sample.Readings {
				r := &e.Sample.Readings[i]
				if r.Faults != 0 {
					fmt.Println(e.Seq, e.Sample.Channel(r).Name, "no value:", r.Faults)
					continue
				}
				fmt.Println(e.Seq, e.Sample.Channel(r).Name, r.Value, "+-", r.Expanded)
			}
		case client.KindGap:
			fmt.Println("missing:", e.Gap.From, "to", e.Gap.To, e.Gap.Cause)
		default:
			fmt.Println(e.Seq, e.Text)
		}
		return nil
	})
	log.Println("ended:", err)
	text, err := json.Marshal(cursor)
	if err != nil {
		log.Fatal(err)
	}
	if err := os.WriteFile("cursor.json", text, 0o600); err != nil {
		log.Fatal(err)
	}
}
