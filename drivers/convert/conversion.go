package convert

import (
	"fmt"
	"strings"

	"dwell/drivers/quantity"
)

// Dimensions that conversions take and give.
var (
	inOhm    = quantity.Dimension{KG: 1, M: 2, S: -3, A: -2}
	inVolt   = quantity.Dimension{KG: 1, M: 2, S: -3, A: -1}
	inDegC   = quantity.Dimension{K: 1, Absolute: true}
	inKelvin = quantity.Dimension{K: 1}
)

// Conversion is a thermometer's law as a rig names it: from what is measured to
// a temperature, and back.
type Conversion struct {
	Name    string
	In, Out quantity.Dimension
	// NeedsJunction says that the temperature of a reference junction must be
	// given with every value.
	NeedsJunction bool

	junctionDegC     float64
	forward, inverse func(x, junctionDegC float64) (float64, error)
}

// Apply converts a measured value. It fails when the junction is needed.
func (c Conversion) Apply(x float64) (float64, error) {
	if c.NeedsJunction {
		return 0, fmt.Errorf("%s needs the temperature of its reference junction", c.Name)
	}
	return c.forward(x, c.junctionDegC)
}

// ApplyAt converts a measured value with the reference junction at the
// temperature given; conversions without a junction ignore it.
func (c Conversion) ApplyAt(x, junctionDegC float64) (float64, error) {
	return c.forward(x, junctionDegC)
}

// InvertAt returns what would be measured at a temperature: the twin's side.
func (c Conversion) InvertAt(degC, junctionDegC float64) (float64, error) {
	return c.inverse(degC, junctionDegC)
}

// Names are the ways to name a conversion, for messages.
var Names = []string{
	"pt100", "pt1000", "thermocouple K", "thermocouple T", "thermocouple K junction 23.5 degC",
	"ntc r25 10 kOhm b 3950 K", "ntc a 1.13e-3 b 2.34e-4 c 8.77e-8",
}

// ByName reads the name of a conversion and its parameters:
//
//	pt100, pt1000                       IEC 60751
//	thermocouple K, thermocouple T      the junction is given with each value
//	thermocouple K junction 23.5 degC   or once and for all
//	ntc r25 10 kOhm b 3950 K            IEC 60539-1
//	ntc a 1.13e-3 b 2.34e-4 c 8.77e-8   Steinhart-Hart, ohm and kelvin
func ByName(name string) (Conversion, error) {
	words := strings.Fields(name)
	if len(words) == 0 {
		return Conversion{}, fmt.Errorf("the name of a conversion is missing, expected one like %q", Names)
	}
	c := Conversion{Name: strings.Join(words, " "), In: inOhm, Out: inDegC}
	kind, rest := words[0], words[1:]
	var err error
	switch {
	case kind == "pt100" && len(rest) == 0:
		c.platinum(Platinum{R0Ohm: 100})
	case kind == "pt1000" && len(rest) == 0:
		c.platinum(Platinum{R0Ohm: 1000})
	case kind == "thermocouple" && len(rest) > 0:
		err = c.thermocouple(rest[0], rest[1:])
	case kind == "ntc" && len(rest) > 0 && rest[0] == "r25":
		err = c.thermistor(rest)
	case kind == "ntc" && len(rest) > 0 && rest[0] == "a":
		err = c.steinhartHart(rest)
	default:
		err = fmt.Errorf("expected one like %q", Names)
	}
	if err != nil {
		return Conversion{}, fmt.Errorf("%q is no conversion: %w", c.Name, err)
	}
	return c, nil
}

func (c *Conversion) platinum(p Platinum) {
	c.forward = func(x, _ float64) (float64, error) { return p.Temperature(x) }
	c.inverse = func(x, _ float64) (float64, error) { return p.Resistance(x) }
}

func (c *Conversion) thermocouple(letter string, words []string) error {
	pair := map[string]*Thermocouple{"K": &TypeK, "T": &TypeT}[letter]
	if pair == nil {
		return fmt.Errorf("a thermocouple of type %q is not known, expected K or T", letter)
	}
	c.In, c.forward, c.inverse = inVolt, pair.Temperature, pair.Voltage
	c.NeedsJunction = len(words) == 0
	if c.NeedsJunction {
		return nil
	}
	values, err := labelled(words, "junction")
	if err == nil {
		c.junctionDegC, err = value("junction", values[0], inDegC)
	}
	if err == nil {
		_, err = pair.Temperature(0, c.junctionDegC)
	}
	return err
}

func (c *Conversion) thermistor(words []string) error {
	values, err := labelled(words, "r25", "b")
	if err != nil {
		return err
	}
	var n Thermistor
	if n.R25Ohm, err = value("r25", values[0], inOhm); err != nil {
		return err
	}
	if n.BK, err = value("b", values[1], inKelvin); err != nil {
		return err
	}
	if !(n.R25Ohm > 0) || n.BK == 0 {
		return fmt.Errorf("expected r25 above zero and b other than zero, got %g Ohm and %g K", n.R25Ohm, n.BK)
	}
	c.forward = func(x, _ float64) (float64, error) { return n.Temperature(x) }
	c.inverse = func(x, _ float64) (float64, error) { return n.Resistance(x) }
	return nil
}

func (c *Conversion) steinhartHart(words []string) error {
	values, err := labelled(words, "a", "b", "c")
	if err != nil {
		return err
	}
	var abc [3]float64
	for i := range abc {
		if abc[i], err = quantity.ParseNumber(values[i]); err != nil {
			return err
		}
	}
	law := SteinhartHart{abc[0], abc[1], abc[2]}
	if _, err := law.Resistance(25); err != nil {
		return err
	}
	c.forward = func(x, _ float64) (float64, error) { return law.Temperature(x) }
	c.inverse = func(x, _ float64) (float64, error) { return law.Resistance(x) }
	return nil
}

// labelled splits words into the texts behind the labels, which must all stand
// there in this order.
func labelled(words []string, labels ...string) ([]string, error) {
	values := make([]string, len(labels))
	at := -1
	for _, word := range words {
		switch {
		case at+1 < len(labels) && word == labels[at+1]:
			at++
		case at < 0:
			return nil, fmt.Errorf("expected %q, got %q", labels[0], word)
		default:
			values[at] = strings.TrimSpace(values[at] + " " + word)
		}
	}
	for i, v := range values {
		if v == "" {
			return nil, fmt.Errorf("the value of %q is missing", labels[i])
		}
	}
	return values, nil
}

func value(label, text string, dim quantity.Dimension) (float64, error) {
	q, err := quantity.Parse(text)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", label, err)
	}
	if q.Unit.Dim != dim {
		return 0, fmt.Errorf("%s: %q is not in %s", label, text, dim)
	}
	return q.Value, nil
}
