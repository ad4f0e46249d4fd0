// SPDX-License-Identifier: Apache-2.0

package publish

import (
	"fmt"
	"strconv"
	"testing"
)

// While the broker is away alarms come before events before sums: in what is kept, and in what is said first once it is
// back. Within a class the oldest is dropped, and said first.
func TestWhatMattersMostIsKeptAndSaidFirst(t *testing.T) {
	o := NewOutlet(Options{Machine: "m"})
	const each = 600
	for i := range each {
		if err := o.SumDay(&SumDay{Journal: JournalHead{Records: int64(i)}}); err != nil {
			t.Fatal(err)
		}
		if err := o.Event(i); err != nil {
			t.Fatal(err)
		}
		if err := o.alert(&Alert{Seq: int64(i)}); err != nil {
			t.Fatal(err)
		}
	}
	var said []string
	for {
		s, ok := o.waiting()
		if !ok {
			break
		}
		said = append(said, s.topic)
		if n := len(said); s.topic == "event" && string(s.payload) != strconv.Itoa(each-(maxEvents-each)+n-each-1) {
			t.Fatalf("said number %d is event %s; want the newest %d in order", n, s.payload, maxEvents-each)
		}
		o.queues[s.class] = o.queues[s.class][1:]
	}
	want := make([]string, 0, maxEvents)
	for range each {
		want = append(want, "alert")
	}
	for range maxEvents - each {
		want = append(want, "event")
	}
	if fmt.Sprint(said) != fmt.Sprint(want) {
		t.Errorf("%d said, the first %v; want every alert, then the newest events, and no sum", len(said), said[:min(3, len(said))])
	}
	if got, want := o.LostEvents(), int64(3*each-maxEvents); got != want {
		t.Errorf("LostEvents() = %d; want %d", got, want)
	}
}
