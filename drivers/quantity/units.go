package quantity

import "strings"

// Dimensions of the units below, in the base units s, m, kg, A, K.
var (
	plain       = Dimension{}
	duration    = Dimension{S: 1}
	frequency   = Dimension{S: -1}
	temperature = Dimension{K: 1, Absolute: true}
	difference  = Dimension{K: 1}
	rampRate    = Dimension{K: 1, S: -1}
	perKelvin   = Dimension{K: -1}
	length      = Dimension{M: 1}
	curvature   = Dimension{M: -1}
	speed       = Dimension{M: 1, S: -1}
	current     = Dimension{A: 1}
	voltage     = Dimension{KG: 1, M: 2, S: -3, A: -1}
	resistance  = Dimension{KG: 1, M: 2, S: -3, A: -2}
	creep       = Dimension{KG: 1, M: 2, S: -4, A: -2}
	response    = Dimension{KG: 1, M: 2, S: -3, A: -2, K: -1}
	power       = Dimension{KG: 1, M: 2, S: -3}
	energy      = Dimension{KG: 1, M: 2, S: -2}
	force       = Dimension{KG: 1, M: 1, S: -2}
	pressure    = Dimension{KG: 1, M: -1, S: -2}
	contact     = Dimension{KG: 1, S: -3, K: -1}
	capacity    = Dimension{KG: 1, M: 2, S: -2, K: -1}
	conductance = Dimension{KG: 1, M: 2, S: -3, K: -1}
)

// units is every unit that can be written. The first one of a dimension with
// factor 1 is canonical. UCUM codes as in the Unified Code for Units of
// Measure; QUDT local names looked up in the QUDT unit vocabulary, empty where
// it has none.
//
// ratio is what is left of Factor besides the power of ten: 60 is "times 60",
// -60 is "per 60", 0 is neither. It is kept apart because the power of ten is
// applied to the decimal text, where it is exact, and 60 and 3600 are exact as
// floats while their inverses are not.
var units = []Unit{
	{"1", plain, 1, "1", "UNITLESS", 0, 0},
	{"%", plain, 1e-2, "%", "PERCENT", -2, 0},
	{"ppm", plain, 1e-6, "[ppm]", "PPM", -6, 0},

	{"s", duration, 1, "s", "SEC", 0, 0},
	{"ms", duration, 1e-3, "ms", "MilliSEC", -3, 0},
	{"us", duration, 1e-6, "us", "MicroSEC", -6, 0},
	{"ns", duration, 1e-9, "ns", "NanoSEC", -9, 0},
	{"min", duration, 60, "min", "MIN", 0, 60},
	{"h", duration, 3600, "h", "HR", 0, 3600},
	{"d", duration, 86400, "d", "DAY", 0, 86400},
	{"Hz", frequency, 1, "Hz", "HZ", 0, 0},
	{"kHz", frequency, 1e3, "kHz", "KiloHZ", 3, 0},
	{"mHz", frequency, 1e-3, "mHz", "MilliHZ", -3, 0},

	{"degC", temperature, 1, "Cel", "DEG_C", 0, 0},
	{"K", difference, 1, "K", "K", 0, 0},
	{"mK", difference, 1e-3, "mK", "MilliK", -3, 0},
	{"K/s", rampRate, 1, "K/s", "K-PER-SEC", 0, 0},
	{"K/min", rampRate, 1. / 60, "K/min", "K-PER-MIN", 0, -60},
	{"K/h", rampRate, 1. / 3600, "K/h", "K-PER-HR", 0, -3600},
	{"mK/s", rampRate, 1e-3, "mK/s", "", -3, 0},
	{"1/K", perKelvin, 1, "/K", "PER-K", 0, 0},
	{"%/K", perKelvin, 1e-2, "%/K", "PERCENT-PER-K", -2, 0},
	{"ppm/K", perKelvin, 1e-6, "[ppm]/K", "PPM-PER-K", -6, 0},

	{"Ohm", resistance, 1, "Ohm", "OHM", 0, 0},
	{"mOhm", resistance, 1e-3, "mOhm", "MilliOHM", -3, 0},
	{"kOhm", resistance, 1e3, "kOhm", "KiloOHM", 3, 0},
	{"MOhm", resistance, 1e6, "MOhm", "MegaOHM", 6, 0},
	{"Ohm/s", creep, 1, "Ohm/s", "", 0, 0},
	{"Ohm/min", creep, 1. / 60, "Ohm/min", "", 0, -60},
	{"Ohm/K", response, 1, "Ohm/K", "", 0, 0},
	{"V", voltage, 1, "V", "V", 0, 0},
	{"mV", voltage, 1e-3, "mV", "MilliV", -3, 0},
	{"uV", voltage, 1e-6, "uV", "MicroV", -6, 0},
	{"nV", voltage, 1e-9, "nV", "NanoV", -9, 0},
	{"kV", voltage, 1e3, "kV", "KiloV", 3, 0},
	{"A", current, 1, "A", "A", 0, 0},
	{"mA", current, 1e-3, "mA", "MilliA", -3, 0},
	{"uA", current, 1e-6, "uA", "MicroA", -6, 0},
	{"nA", current, 1e-9, "nA", "NanoA", -9, 0},
	{"pA", current, 1e-12, "pA", "PicoA", -12, 0},
	{"W", power, 1, "W", "W", 0, 0},
	{"mW", power, 1e-3, "mW", "MilliW", -3, 0},
	{"uW", power, 1e-6, "uW", "MicroW", -6, 0},
	{"nW", power, 1e-9, "nW", "NanoW", -9, 0},
	{"J", energy, 1, "J", "J", 0, 0},
	{"mJ", energy, 1e-3, "mJ", "MilliJ", -3, 0},
	{"uJ", energy, 1e-6, "uJ", "MicroJ", -6, 0},

	{"m", length, 1, "m", "M", 0, 0},
	{"cm", length, 1e-2, "cm", "CentiM", -2, 0},
	{"mm", length, 1e-3, "mm", "MilliM", -3, 0},
	{"um", length, 1e-6, "um", "MicroM", -6, 0},
	{"nm", length, 1e-9, "nm", "NanoM", -9, 0},
	{"1/m", curvature, 1, "/m", "PER-M", 0, 0},
	{"m/s", speed, 1, "m/s", "M-PER-SEC", 0, 0},
	{"mm/s", speed, 1e-3, "mm/s", "MilliM-PER-SEC", -3, 0},
	{"mm/min", speed, 1e-3 / 60, "mm/min", "MilliM-PER-MIN", -3, -60},
	{"N", force, 1, "N", "N", 0, 0},
	{"Pa", pressure, 1, "Pa", "PA", 0, 0},
	{"kPa", pressure, 1e3, "kPa", "KiloPA", 3, 0},
	{"MPa", pressure, 1e6, "MPa", "MegaPA", 6, 0},
	{"GPa", pressure, 1e9, "GPa", "GigaPA", 9, 0},

	{"W/(m2 K)", contact, 1, "W/(m2.K)", "W-PER-M2-K", 0, 0},
	{"J/K", capacity, 1, "J/K", "J-PER-K", 0, 0},
	{"W/K", conductance, 1, "W/K", "W-PER-K", 0, 0},
	{"mW/K", conductance, 1e-3, "mW/K", "", -3, 0},
}

// bySymbol finds a unit by its one spelling.
var bySymbol = func() map[string]Unit {
	m := make(map[string]Unit, len(units))
	for _, u := range units {
		m[u.Symbol] = u
	}
	return m
}()

// spellings folds the signs people type or paste into the ASCII spelling.
var spellings = strings.NewReplacer(
	"°C", "degC", "℃", "degC",
	"Ω", "Ohm", "\u2126", "Ohm", // Greek capital omega; the ohm sign
	"\u00b5", "u", "\u03bc", "u", // the micro sign; Greek small mu
	"m²", "m2",
)

// misspelt maps wrong words for a unit, in lower case, to the right one.
var misspelt = map[string]string{
	"sec": "s", "secs": "s", "second": "s", "seconds": "s",
	"msec": "ms", "usec": "us", "mins": "min", "minute": "min", "minutes": "min",
	"hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
	"cel": "degC", "celsius": "degC", "deg": "degC", "°": "degC", "deg c": "degC", "oc": "degC",
	"kelvin": "K", "degk": "K", "°k": "K", "deltac": "K",
	"ohms": "Ohm", "r": "Ohm", "kohms": "kOhm", "volt": "V", "volts": "V",
	"amp": "A", "amps": "A", "ampere": "A", "watt": "W", "watts": "W", "joule": "J",
	"micron": "um", "microns": "um", "metre": "m", "meter": "m",
	"percent": "%", "pct": "%", "hertz": "Hz", "newton": "N", "pascal": "Pa",
}

// LookUp finds a unit by its symbol. Signs such as Ω, µ and °C stand for their
// ASCII spelling; letter case matters.
func LookUp(symbol string) (Unit, bool) {
	u, ok := bySymbol[symbol]
	if !ok {
		u, ok = bySymbol[spellings.Replace(symbol)]
	}
	return u, ok
}

// Units lists every known unit, canonical ones first within their dimension.
func Units() []Unit { return append([]Unit(nil), units...) }

// unitHint says what an unknown unit may have been meant to be, or "".
func unitHint(symbol string) string {
	s := spellings.Replace(symbol)
	switch s {
	case "C":
		return "C is the coulomb: write degC for a temperature, K for a difference"
	case "F", "°F", "degF":
		return "write temperatures in degC, differences in K"
	case "k", "M", "n", "u":
		return s + " is a prefix and stands before a unit, as in 10 kOhm"
	case "/K", "/m":
		return "did you mean 1" + s + "?"
	}
	parts := strings.Split(s, "/")
	for i, p := range parts {
		if right, ok := misspelt[strings.ToLower(p)]; ok {
			parts[i] = right
		}
	}
	if right := strings.Join(parts, "/"); right != s {
		if _, ok := bySymbol[right]; ok {
			return "did you mean " + right + "?"
		}
		s = right
	}
	if s == "degC/min" || s == "degC/s" || s == "degC/h" {
		return "did you mean K" + strings.TrimPrefix(s, "degC") + "? a rate of temperature is a difference per time"
	}
	var near []string
	for _, u := range units {
		if strings.EqualFold(u.Symbol, s) {
			near = append(near, u.Symbol)
		}
	}
	if len(near) == 0 {
		return ""
	}
	return "did you mean " + strings.Join(near, " or ") + "? letter case matters"
}
