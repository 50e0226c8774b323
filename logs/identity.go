package logs

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
)

// Identity is run.json: what ran, on what, when, and how it ended. Times are UTC
// in RFC 3339, given by the caller; this room asks nobody.
type Identity struct {
	Format      int          `json:"format"`
	Kind        string       `json:"kind"` // run, rehearsal, drill
	Dwell       string       `json:"dwell"`
	Go          string       `json:"go"`
	System      string       `json:"system"` // operating system and processor
	Protocol    string       `json:"protocol"`
	Specimen    string       `json:"specimen"`
	Rig         string       `json:"rig"`
	Seed        uint64       `json:"seed,omitempty"` // of the twin
	Twin        int          `json:"twin,omitempty"` // version of its model
	Operator    string       `json:"operator,omitempty"`
	Remarks     string       `json:"remarks,omitempty"`
	StartUTC    string       `json:"start_utc"`
	Clock       ClockState   `json:"clock"`
	Instruments []Instrument `json:"instruments"`
	Inputs      []Digest     `json:"inputs"`

	// Known at the end only.
	StopUTC  string `json:"stop_utc,omitempty"`
	Outcome  string `json:"outcome,omitempty"` // completed, tripped, failed, stopped
	Reason   string `json:"reason,omitempty"`
	Safe     *bool  `json:"safe,omitempty"`
	Exit     *int   `json:"exit,omitempty"`
	Readings int64  `json:"readings,omitempty"`
	Unsealed bool   `json:"unsealed,omitempty"` // it has ended, and its folder is not sealed yet: Seal takes this out

	Repeats  *Repeats  `json:"repeats,omitempty"`  // of a run that repeats an old one
	Replays  []Replay  `json:"replays,omitempty"`  // of instruments that answered as they were recorded
	Segments []Segment `json:"segments,omitempty"` // of a run that was taken up again, after the first
}

// Replay is an instrument that answered as it did in another run.
type Replay struct {
	Instrument string `json:"instrument"`
	Run        string `json:"run"` // the name of its folder
	StartUTC   string `json:"start_utc"`
	As         string `json:"as"`               // its name there
	Exchanges  int    `json:"exchanges"`        // that were recorded until this run ended; known at the end only
	NotAsked   int    `json:"not_asked"`        // of these, by this run
	Parted     string `json:"parted,omitempty"` // where the two first parted
}

// Repeats is what a run repeats, and what was not as it was then.
type Repeats struct {
	Run         string       `json:"run"` // the name of its folder
	StartUTC    string       `json:"start_utc"`
	PlanSHA256  string       `json:"plan_sha256"` // of its plan.json
	SamePlan    bool         `json:"same_plan"`   // this run's plan.json is that one, to the byte
	Differences []Difference `json:"differences"`
	Only        string       `json:"only,omitempty"`   // the step that alone was repeated
	Reason      string       `json:"reason,omitempty"` // why it was repeated in spite of blocking ones
}

// Difference is one thing that was not as in the repeated run.
type Difference struct {
	What   string `json:"what"`
	Then   string `json:"then"`
	Now    string `json:"now"`
	Weight string `json:"weight"` // harmless, notable, blocking
	Why    string `json:"why"`
}

// Segment is a part of a run that another process recorded, on the same time base.
type Segment struct {
	FromNs       int64      `json:"from_ns"` // when it began, on the run's time base
	StartUTC     string     `json:"start_utc"`
	Clock        ClockState `json:"clock"`
	WithinNs     int64      `json:"within_ns,omitempty"` // a bound on FromNs, where both clocks have one
	Placed       string     `json:"placed"`              // how FromNs was found
	Dwell        string     `json:"dwell"`
	Boundary     string     `json:"boundary"` // the step that it begins with
	BoundaryNs   int64      `json:"boundary_ns"`
	Before       string     `json:"before"`             // how the part before it ended, and why
	Sealings     int        `json:"sealings,omitempty"` // that speak of what was before it
	Ports        []Port     `json:"ports,omitempty"`    // other than before, from a rig file of that day
	Retraced     bool       `json:"retraced,omitempty"` // a rehearsal, done again up to here and the same: it begins with no step, and nothing is missing
	Acknowledged string     `json:"acknowledged,omitempty"`

	// From a rig file of that day that says something else than the run's.
	Differences []Difference    `json:"differences,omitempty"`
	Reason      string          `json:"reason,omitempty"` // why it went on in spite of blocking ones
	Rules       json.RawMessage `json:"rules,omitempty"`  // of the plan from here on, where they are tighter than before
	Operator    string          `json:"operator,omitempty"`
}

// Port is where an instrument was found.
type Port struct {
	Instrument string `json:"instrument"`
	Port       string `json:"port"`
}

// ClockState is how far StartUTC can be believed.
type ClockState struct {
	Synchronised bool   `json:"synchronised"`
	Source       string `json:"source,omitempty"`
	WithinNs     int64  `json:"within_ns,omitempty"` // a bound, where the system gives one
}

// Instrument is one device as it presented itself.
type Instrument struct {
	Name       string `json:"name"`
	Profile    string `json:"profile"`
	Port       string `json:"port"`
	Identity   string `json:"identity"`                // its reply to *IDN?, or the like
	Serial     string `json:"serial_number,omitempty"` // from the rig file
	Calibrated string `json:"calibrated,omitempty"`    // date, from the rig file
}

const identityFormat = 1

// Identify writes run.json, in place of an earlier one, with the digests of the
// inputs. It works with a dead writer too, as far as the disk does.
func (w *Writer) Identify(id Identity) error {
	id.Format, id.Inputs = identityFormat, w.inputs
	text, err := encodeJSON(id)
	if err != nil {
		return err
	}
	return replaceFile(w.fs, filepath.Join(w.dir, identityName), text)
}

// sealedIdentity is run.json as it stands under a seal.
func (r *Run) sealedIdentity() (text []byte, changed bool, err error) {
	id, err := r.Identity()
	if err != nil || !id.Unsealed {
		return nil, false, err
	}
	id.Unsealed = false
	text, err = encodeJSON(id)
	return text, true, err
}

// encodeJSON is indented JSON for a person to read too, with a newline at its end.
func encodeJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(v)
	return b.Bytes(), err
}

// IdentityIfWhole is Identity, and nothing where run.json is damaged: for whoever shows what
// there is, and has said that it is.
func (r *Run) IdentityIfWhole() (Identity, error) {
	id, err := r.Identity()
	if errors.Is(err, ErrCorrupt) {
		return Identity{}, nil
	}
	return id, err
}

// Identity reads run.json.
func (r *Run) Identity() (Identity, error) {
	var id Identity
	text, err := r.File(identityName)
	if err != nil {
		return id, err
	}
	if err := json.Unmarshal(text, &id); err != nil {
		return Identity{}, fmt.Errorf("%s: %w: %w", identityName, ErrCorrupt, err)
	}
	if id.Format != identityFormat {
		return Identity{}, fmt.Errorf("%s: format %d, this program reads %d", identityName, id.Format, identityFormat)
	}
	return id, nil
}
