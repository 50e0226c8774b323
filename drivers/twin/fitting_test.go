package twin

import (
	"math"
	"strings"
	"testing"

	"dwell/drivers/clock"
	"dwell/drivers/rig"
	"dwell/drivers/yamltext"
)

const benchText = `format: 1
rig: test bench
ambient: {temperature: 16 degC, cooling: none}
line frequency: 60 Hz
instruments:
  plate: {profile: namur-hotplate, port: "serial:/dev/ttyUSB0", heating: {rate: 150 K/min, dead time: 4 s, cooling time constant: 100 s}}
  meter: {profile: scpi-source-meter, port: "tcp:192.0.2.10:5025"}
  dmm: {profile: scpi-multimeter, port: twin}
  arm: {profile: specimen-lift, port: twin}
specimen place: {lies on: plate, moved by: arm}
twin:
  glass thickness: 0.5 mm
  foil thickness: 75 um
  contact conductance: 100 W/(m2 K)
  top conductance: 6 W/(m2 K)
  cold block temperature: 12 degC
  lead resistance: 2 Ohm
`

const specimenText = `format: 1
specimen: T-1
film: {resistance: 20 kOhm, at: 20 degC, within: 20 %, B value: 2000 K}
layers: [{of: polyimide, thickness: 50 um}]
`

// fitOut makes a bench of texts, in which replacements are made first.
func fitOut(t *testing.T, replacements ...string) (*rig.Rig, *rig.Specimen) {
	t.Helper()
	m := &yamltext.Mistakes{}
	change := strings.NewReplacer(replacements...)
	r := rig.Load(yamltext.Parse("rig.yaml", []byte(change.Replace(benchText)), m), nil, m)
	s := rig.LoadSpecimen(yamltext.Parse("specimen.yaml", []byte(change.Replace(specimenText)), m), m)
	if err := m.Err(); err != nil {
		t.Fatal(err)
	}
	return r, s
}

func TestSceneFollowsRigAndSpecimen(t *testing.T) {
	scene, err := sceneOf(fitOutWithSeed(t))
	if err != nil {
		t.Fatal(err)
	}
	foil := scene.Layers[1]
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"ambient", scene.AmbientDegC, 16}, {"block", scene.BlockDegC, 12}, {"glass", scene.Layers[0].ThicknessM, 0.5e-3},
		{"contact", scene.ContactWPerM2K, 100}, {"upper face", scene.OnPlateWPerM2K, 6}, {"lead", scene.Film.LeadOhm, 2},
		{"foil: the specimen knows best", foil.ThicknessM, 50e-6}, {"foil on the slide", foil.ContactBelowWPerM2K, 500},
		{"time constant", scene.Plate.TimeConstantS, 100}, {"dead time", scene.Plate.DeadTimeS, 4},
		{"gain", scene.Plate.GainKPerPercent, 1.5 * 2.5 * 100 / 100}, {"sensor", scene.Plate.SensorLimitK, 0.5},
		{"B", scene.Film.BK, 2000}, {"R25", scene.Film.R25Ohm, 20e3 * math.Exp(2000*(1/298.15-1/293.15))},
	} {
		if math.Abs(c.got-c.want) > 1e-9*math.Abs(c.want) {
			t.Errorf("%s: %v, expected %v", c.what, c.got, c.want)
		}
	}
}

// The virtual thermometer is of the class that the rig names, and shows what it shows as
// often as the instrument's profile says.
func TestSceneFollowsTheThermometer(t *testing.T) {
	scene, err := sceneOf(fitOutWithSeed(t))
	if err != nil || scene.Foil.Class.Name != "platinum class B" || scene.Shows != [2]DisplayModel{} {
		t.Errorf("nobody says anything: %+v, %+v, %v", scene.Foil, scene.Shows, err)
	}
	r, s, seed := fitOutWithSeed(t, "specimen place:", "channels: {foil.temperature: {from: dmm.resistance, through: pt100, thermometer: platinum class A}}\nspecimen place:")
	q, f, _ := r.Instruments[0].Profile.Measured("probe")
	r.Instruments[0].Profile.Queries[q].Fields[f].Age.Updates = 1500 * clock.Millisecond
	scene, err = sceneOf(r, s, seed)
	if err != nil || scene.Foil.Class.Name != "platinum class A" || scene.Shows[1].UpdateS != 1.5 {
		t.Errorf("class A, every 1.5 s: %+v, %+v, %v", scene.Foil, scene.Shows, err)
	}
}

func fitOutWithSeed(t *testing.T, replacements ...string) (*rig.Rig, *rig.Specimen, uint64) {
	r, s := fitOut(t, replacements...)
	return r, s, 7
}

// A specimen on glass of its own needs no slide; a film follows its coefficient,
// a metal's too.
func TestSpecimenOfItsOwnKind(t *testing.T) {
	scene, err := sceneOf(fitOutWithSeed(t, "[{of: polyimide, thickness: 50 um}]", "[{of: glass, thickness: 1.1 mm}, {of: silk, thickness: 100 um}]",
		"B value: 2000 K", "temperature coefficient: -1 %/K"))
	if err != nil {
		t.Fatal(err)
	}
	if len(scene.Layers) != 2 || scene.Layers[0].ThicknessM != 1.1e-3 || scene.Layers[0].Cells != 4 || scene.Layers[1].ConductivityWPerMK != 0.24 ||
		scene.Layers[1].ContactBelowWPerM2K != 0 {
		t.Errorf("layers %+v", scene.Layers)
	}
	w, err := NewWorld(scene)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "resistance at the reference", w.film.ohm(20, Faults{}), 20e3, 1e-6)
	near(t, "resistance 10 K above it", w.film.ohm(30, Faults{}), 18e3, 1e-6)
	scene, err = sceneOf(fitOutWithSeed(t, "B value: 2000 K", "temperature coefficient: 0.3 %/K"))
	if err != nil {
		t.Fatal(err)
	}
	metal, err := NewWorld(scene)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a metal at the reference", metal.film.ohm(20, Faults{}), 20e3, 1e-6)
	near(t, "a metal 40 K above it", metal.film.ohm(60, Faults{}), 22.4e3, 1e-6)
	near(t, "slope there", (w.film.ohm(20.01, Faults{})-w.film.ohm(19.99, Faults{}))/0.02/20e3, -0.01, 1e-7)
}

func TestBenchesThatCannotBe(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"  dmm: {profile: scpi-multimeter", "  dmm: {profile: namur-hotplate-echo", "plate and dmm: the virtual bench has but one plate to heat"},
		{"  dmm: {profile: scpi-multimeter", "  dmm: {profile: scpi-source-meter", "meter and dmm: the virtual bench has but one film to source into"},
		{"top conductance: 6", "top conductance: 0", "expected positive coefficients"},
	} {
		r, s := fitOut(t, c.from, c.to)
		if _, err := New(r, s, 1); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, expected a word of %q", c.to, err, c.want)
		}
	}
	r, s := fitOut(t)
	r.Instruments[0].Profile.Twin = "toaster"
	if _, err := New(r, s, 1); err == nil || !strings.Contains(err.Error(), `plate: there is no virtual instrument "toaster"`) {
		t.Errorf("an unknown firmware: %v", err)
	}
}

// Every instrument is there, whatever its port; the mains' frequency and the
// declared accuracies reach it; plate and multimeter both read the thermometer on the foil.
func TestNewBench(t *testing.T) {
	r, s := fitOut(t)
	b, err := New(r, s, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range r.Instruments {
		if b.Device(d.Name) == nil {
			t.Errorf("%s is not there", d.Name)
		}
	}
	if b.Device("oven") != nil {
		t.Error("an instrument that the rig does not have is there")
	}
	talk(t, b, "plate", []said{{"IN_PV_1\r\n", "16.4 1 \r\n"}}) // its input's own error is 0.2 K here, 0.5 K at most
	talk(t, b, "meter", []said{{"SYST:LFR?\n", "60\n"}})
	if v := readOhm(t, b, "CONF:FRES;:READ?\n"); math.Abs(v-106.31) > 0.03 { // 16.2 degC; half a digit there is 0.02 ohm
		t.Errorf("the foil thermometer has %v ohm", v)
	}
	m := b.find("meter").firmware.(*sourceMeter)
	if m.errorOf[volts].gain == [mostRanges]float64{} || m.errorOf[amps].offset == [mostRanges]float64{} {
		t.Error("the meter has no errors although accuracies are declared")
	}
	// The declared voltage accuracy of the 2 V range: 0.012 % and 300 uV.
	a, _ := promised(accuraciesOf(r, "meter"), "voltage", 2)
	if a.ofReading != 0.00012 || a.plus != 300e-6 {
		t.Errorf("the 2 V range promises %+v", a)
	}
	// 0.001 % of the 1 kOhm range is 10 mOhm.
	if a, _ := promised(accuraciesOf(r, "dmm"), "resistance", 1000); math.Abs(a.plus-0.01) > 1e-12 {
		t.Errorf("the 1 kOhm range promises %+v", a)
	}
}

func TestSeeds(t *testing.T) {
	r, s := fitOut(t)
	night := func(seed uint64) string {
		b, err := New(r, s, seed)
		if err != nil {
			t.Fatal(err)
		}
		b.find("arm").name = "lift"
		return live(b, 0, 50)
	}
	first := night(1)
	if night(1) != first {
		t.Error("the same seed gives another bench")
	}
	if first == night(2) {
		t.Error("another seed gives the same bench")
	}
}

func accuraciesOf(r *rig.Rig, name string) []accuracy {
	var all []accuracy
	for _, a := range r.Instruments[r.Instrument(name)].Profile.Accuracies {
		all = append(all, accuracyOf(a))
	}
	return all
}
