//go:build !linux && !windows

package clock

import "time"

// slept takes what the calendar has gained on the monotonic clock, which stands still
// while the system sleeps, for sleep. A calendar that somebody puts forward looks the
// same.
func slept(start time.Time) Instant {
	now := time.Now()
	return Instant(now.Round(0).Sub(start.Round(0)) - now.Sub(start))
}
