package main

import (
	"fmt"
	"slices"

	"dwell/drivers/clock"
	"dwell/drivers/wire"
)

// goldenDevice is a device that answers as an instrument once did: each request by what the
// next exchange with the same request brought, after the same time; what came unasked, at
// the same moment. To a request that the record has no more of it says nothing.
//
// With the same requests at the same moments everything is again as it was, and whoever asks
// at another moment is seen to: wire.Recorded has those wait who come too early.
type goldenDevice struct {
	line    wire.Line
	asked   map[string][]wire.Exchange
	coming  []coming
	missing string
}

// coming is what will arrive.
type coming struct {
	at    clock.Instant
	bytes []byte
}

// newGoldenDevice takes the exchanges of one port, in the order of the record, and keeps them.
func newGoldenDevice(line wire.Line, exchanges []wire.Exchange) *goldenDevice {
	r := &goldenDevice{line: line, asked: map[string][]wire.Exchange{}}
	for _, x := range exchanges {
		if x.Ended == wire.Unasked {
			r.coming = append(r.coming, coming{x.Last, x.Reply})
			continue
		}
		r.asked[string(x.Request)] = append(r.asked[string(x.Request)], x)
	}
	r.sort()
	return r
}

func (r *goldenDevice) sort() {
	slices.SortStableFunc(r.coming, func(a, b coming) int { return int(min(1, max(-1, a.at-b.at))) })
}

// Receive implements Device.
func (r *goldenDevice) Receive(at clock.Instant, b []byte) {
	all := r.asked[string(b)]
	if len(all) == 0 {
		if r.missing == "" {
			r.missing = fmt.Sprintf("%q at %d ns", b, at)
		}
		return
	}
	x := all[0]
	r.asked[string(b)] = all[1:]
	sent := at - r.line.Lasting(len(b))
	reply := x.Reply
	if len(reply) > 1 && x.First > 0 && x.First < x.Last { // in pieces: when the first and the last came is known
		r.coming = append(r.coming, coming{sent + x.First - x.Sent, reply[:1]}) // it may have begun before it was asked
		reply = reply[1:]
	}
	if len(reply) > 0 {
		r.coming = append(r.coming, coming{max(at, sent+x.Last-x.Sent), reply})
	}
	r.sort()
}

// NextAt implements Device.
func (r *goldenDevice) NextAt() clock.Instant {
	if len(r.coming) == 0 {
		return clock.Never
	}
	return r.coming[0].at
}

// Take implements Device.
func (r *goldenDevice) Take(at clock.Instant, dst []byte) []byte {
	for len(r.coming) > 0 && r.coming[0].at <= at {
		dst = append(dst, r.coming[0].bytes...)
		r.coming = r.coming[1:]
	}
	return dst
}
