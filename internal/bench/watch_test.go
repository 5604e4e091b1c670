package bench

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// BenchmarkWatch lets 500 watchers on 10 connections hear what eight writers do.
// Lateness counts from the instant that the event carries, which is the beginning
// of its act: somewhat more than from commit to client.
func BenchmarkWatch(b *testing.B) {
	h := open(b)
	b.Log(h.machine())
	const watchers, events, pace = 500, 400, 5 * time.Millisecond
	conn := h.site("seen")
	idle := h.resident()
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	var mu sync.Mutex
	var late times
	heard := make([]int, watchers)
	var ready, done sync.WaitGroup
	for i := range watchers {
		ready.Add(1)
		stream, err := bayholdv1.NewWatchServiceClient(conn).Watch(ctx, &bayholdv1.WatchRequest{Parent: "sites/seen"})
		must(b, err)
		done.Go(func() {
			_, err := stream.Recv()
			ready.Done()
			var last int64
			for err == nil && heard[i] < events {
				var told *bayholdv1.WatchResponse
				if told, err = stream.Recv(); err != nil || told.GetEvent() == nil {
					continue
				}
				took := time.Since(told.GetEvent().GetEventTime().AsTime())
				if r := told.GetEvent().GetRevision(); last != 0 && r != last+1 {
					b.Errorf("watcher %d hears %d after %d", i, r, last)
				} else {
					last = r
				}
				heard[i]++
				mu.Lock()
				late = append(late, took)
				mu.Unlock()
			}
		})
	}
	ready.Wait()
	standing := h.resident()
	client := bayholdv1.NewBookingServiceClient(conn)
	tick := time.NewTicker(pace)
	defer tick.Stop()
	began := time.Now()
	work := make(chan int)
	var writing sync.WaitGroup
	for range 8 {
		writing.Go(func() {
			for n := range work {
				if _, err := client.Reserve(b.Context(), reserve("seen", fmt.Sprintf("S-%d", n%spares+1), epoch().Add(time.Duration(n)*time.Hour))); err != nil {
					b.Error(err)
				}
			}
		})
	}
	for n := range events {
		<-tick.C
		work <- n
	}
	close(work)
	writing.Wait()
	rate := events / time.Since(began).Seconds()
	timer := time.AfterFunc(30*time.Second, cancel)
	done.Wait()
	timer.Stop()
	lost := 0
	for _, n := range heard {
		lost += events - n
	}
	b.Logf("%d watchers, %.0f events/s: late p50 %.1f ms, p99 %.1f ms; %d of %d lost; %.0f MB idle, %.0f MB with watchers (%.0f kB each), %.0f MB at the end",
		watchers, rate, late.at(.5), late.at(.99), lost, watchers*events, idle, standing, (standing-idle)*1024/watchers, h.resident())
}

// curve draws medians and 99th percentiles over size, both axes logarithmic.
func curve(name string, points [][3]float64) string {
	const w, h, edge = 480.0, 300.0, 50.0
	low, high := math.Inf(1), 0.0
	for _, p := range points {
		low, high = min(low, p[1], p[2]), max(high, p[1], p[2])
	}
	low, high = math.Pow(10, math.Floor(math.Log10(low))), math.Pow(10, math.Ceil(math.Log10(high)))
	first, last := points[0][0], points[len(points)-1][0]
	at := func(x, y float64) (float64, float64) {
		along := 0.5
		if last > first {
			along = math.Log(x/first) / math.Log(last/first)
		}
		return edge + along*(w-2*edge), h - edge - math.Log(y/low)/math.Log(high/low)*(h-2*edge)
	}
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="12"><title>%s</title><rect width="100%%" height="100%%" fill="#fff"/><text x="%g" y="24">%s: ms over bookings</text>`, w, h, name, edge, name)
	for y := low; y <= high*1.01; y *= 10 {
		_, py := at(first, y)
		fmt.Fprintf(&s, `<path d="M%g %.1fH%g" stroke="#ccc"/><text x="%g" y="%.1f" text-anchor="end">%g</text>`, edge, py, w-edge, edge-4, py+4, y)
	}
	for i, style := range []string{"#1b5e9b", "#b3432b"} {
		var line []string
		for _, p := range points {
			x, y := at(p[0], p[i+1])
			line = append(line, fmt.Sprintf("%.1f,%.1f", x, y))
			if i == 0 {
				fmt.Fprintf(&s, `<text x="%.1f" y="%g" text-anchor="middle">%g</text>`, x, h-edge+18, p[0])
			}
		}
		fmt.Fprintf(&s, `<polyline points="%s" fill="none" stroke="%s" stroke-width="2"/><text x="%g" y="%g" fill="%s">%s</text>`,
			strings.Join(line, " "), style, w-edge+4, edge+float64(i)*16, style, []string{"p50", "p99"}[i])
	}
	return s.String() + "</svg>\n"
}
