package twin

import (
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/dialect"
	"dwell/drivers/wire"
)

// exchange is one that is made again and again.
type exchange struct {
	instrument, request string
}

// inSteadyState makes exchanges through ports in virtual time: first some until
// every buffer has its size, then what f does with a function that makes one of
// each.
func inSteadyState(t testing.TB, exchanges []exchange, f func(each func())) {
	b := aBench(t, nil)
	ask(b, "plate", 0, "START_1\r\nOUT_SP_1 30\r\n")
	ask(b, "meter", 0, "*RST;:SOUR:FUNC CURR;:SENS:FUNC \"VOLT\";:SENS:VOLT:PROT 2;:SOUR:CURR 1E-5;:FORM:ELEM VOLT,CURR,STAT;:OUTP ON\n")
	c := clock.Virtual(b.World().Now())
	err := c.Run(func() error {
		ports := make([]*wire.Port, len(exchanges))
		requests := make([][]byte, len(exchanges))
		for i, x := range exchanges {
			ports[i] = wire.Attach(c, x.instrument, b.Device(x.instrument), b.find(x.instrument).line)
			requests[i] = []byte(x.request)
			if err := ports[i].Begin(clock.Never); err != nil {
				return err
			}
		}
		var failed error
		each := func() {
			for i, p := range ports {
				if _, err := p.Exchange(requests[i], dialect.Line, c.Now()+10*clock.Second); err != nil {
					failed = err
				}
			}
		}
		for range 1000 {
			each()
		}
		f(each)
		return failed
	})
	if err != nil {
		t.Fatal(err)
	}
}

var steady = []exchange{{"plate", "IN_PV_2\r\n"}, {"plate", "IN_PV_1\r\n"}, {"meter", "READ?\n"}, {"meter", "SENS:VOLT:PROT:TRIP?\n"},
	{"meter", "SYST:ERR?\n"}, {"meter", "SOUR:CURR -1.000000E-05;:SOUR:CURR?\n"}, {"dmm", "READ?\n"}, {"lift", "WHERE\n"}}

func TestNothingIsAllocatedInSteadyState(t *testing.T) {
	inSteadyState(t, steady, func(each func()) {
		if n := testing.AllocsPerRun(2000, each); n != 0 {
			t.Errorf("%v allocations for %d exchanges, expected none", n, len(steady))
		}
	})
}

func BenchmarkExchange(b *testing.B) {
	for _, x := range steady {
		b.Run(x.instrument+" "+x.request[:len(x.request)-1], func(b *testing.B) {
			inSteadyState(b, []exchange{x}, func(each func()) {
				b.ReportAllocs()
				for b.Loop() {
					each()
				}
			})
		})
	}
}
