package logs

import (
	"archive/zip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// A bundle is an ordinary zip of a run folder with one more file, which describes the
// others after RO-Crate 1.1 (https://w3id.org/ro/crate/1.1): what a repository for
// research data reads. The folder's own files stand at the top, byte for byte, so that
// the seal holds for them.

// CrateName is the file that a bundle has besides.
const CrateName = "ro-crate-metadata.json"

// What a bundle may unfold to: so much, and so many times its own size. Records of runs
// become 10 to 30 times smaller; one that holds nothing but zeros, a thousand times.
const (
	mostUnpacked = 64 << 30
	mostTimes    = 200
	alwaysFine   = 1 << 20
)

// formats are media types by the ending of a name.
var formats = map[string]string{".csv": "text/csv", ".json": "application/json", ".jsonl": "application/x-ndjson", ".yaml": "application/yaml",
	".html": "text/html", ".chain": "text/plain"}

// described says what files are, where that is not plain from their names.
var described = map[string]string{
	readingsName: "every reading as it came, with its time and the bound on it", alignedName: "the readings on a common time base, interpolated",
	eventsName: "steps, setpoints, marks, trips, faults", wireName: "every byte sent and received, with its time",
	chainName: "hashes of the growing files, block by block", sealName: "SHA-256 of every file, sealing by sealing", signaturesName: "who signed which sealing, with which key",
	identityName: "who and what, versions, identities, clock, how it ended", FiguresName: "figures of merit with uncertainties and definitions",
	ReportName: "the page to read", "protocol.yaml": "the protocol, the exact bytes used", "rig.yaml": "the bench, the exact bytes used",
	"specimen.yaml": "the specimen, the exact bytes used", "plan.json": "the plan that was executed: absolute numbers",
	"guard.jsonl": "what the guard process saw and did"}

type entity map[string]any

func id(name string) entity { return entity{"@id": name} }

// Bundle writes the run folder as a zip. The license is a URL, or words. The same folder
// gives the same bytes.
func (r *Run) Bundle(w io.Writer, license string) error {
	who, err := r.Identity()
	if err != nil {
		return err
	}
	names, err := r.fileNames()
	if err != nil {
		return err
	}
	names = slices.DeleteFunc(names, func(n string) bool { return n == CrateName })
	text, err := r.crate(who, names, license)
	if err != nil {
		return err
	}
	made := time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC) // the earliest that a zip can say
	if t, err := time.Parse(time.RFC3339Nano, who.StartUTC); err == nil {
		made = t.UTC().Truncate(2 * time.Second)
	}
	z := zip.NewWriter(w)
	add := func(name string, from io.Reader) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: made})
		if err == nil {
			_, err = io.Copy(f, from)
		}
		return err
	}
	if err := add(CrateName, strings.NewReader(string(text))); err != nil {
		return err
	}
	for _, name := range names {
		if err := r.copyTo(name, add); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return z.Close()
}

func (r *Run) copyTo(name string, add func(string, io.Reader) error) error {
	f, err := r.fs.Open(filepath.Join(r.dir, filepath.FromSlash(name)))
	if err != nil {
		return err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return err
	}
	return add(name, io.NewSectionReader(f, 0, size))
}

// crate describes the files, the run as an action, and what it was done with.
func (r *Run) crate(who Identity, names []string, license string) ([]byte, error) {
	day, _, _ := strings.Cut(who.StartUTC, "T")
	var parts []entity
	var graph []entity
	for _, name := range names {
		d, err := r.digest(name, -1)
		if err != nil {
			return nil, err
		}
		e := entity{"@id": asURI(name), "@type": "File", "name": name, "contentSize": fmt.Sprint(d.Bytes), "identifier": "sha256:" + d.SHA256}
		if f := formats[filepath.Ext(name)]; f != "" {
			e["encodingFormat"] = f
		}
		if text := described[name]; text != "" {
			e["description"] = text
		}
		parts, graph = append(parts, id(asURI(name))), append(graph, e)
	}
	root := entity{"@id": "./", "@type": "Dataset", "name": who.Protocol + ", specimen " + who.Specimen, "datePublished": day, "hasPart": parts,
		"description": fmt.Sprintf("A %s of the protocol %q on %s, begun %s: %s. Made by dwell %s.", who.Kind, who.Protocol, who.Rig, who.StartUTC, orUnfinished(who.Outcome), who.Dwell),
		"license":     license, "mentions": id("#run")}
	if strings.HasPrefix(license, "http") {
		root["license"] = id(license)
		graph = append(graph, entity{"@id": license, "@type": "CreativeWork", "name": license,
			"description": "the license under which this may be used"})
	}
	run := entity{"@id": "#run", "@type": "CreateAction", "name": "the run", "startTime": who.StartUTC, "result": id("./"),
		"object": []entity{id("protocol.yaml"), id("plan.json"), id("specimen.yaml")}}
	if who.StopUTC != "" {
		run["endTime"] = who.StopUTC
	}
	tools := []entity{id("#dwell")}
	graph = append(graph, entity{"@id": "#dwell", "@type": "SoftwareApplication", "name": "dwell", "softwareVersion": who.Dwell, "version": who.Dwell})
	for _, i := range who.Instruments {
		tools = append(tools, id("#"+i.Name))
		e := entity{"@id": "#" + i.Name, "@type": "Thing", "name": i.Name, "description": i.Identity + ", profile " + i.Profile}
		if i.Calibrated != "" {
			e["description"] = fmt.Sprintf("%v, calibrated %s", e["description"], i.Calibrated)
		}
		graph = append(graph, e)
	}
	run["instrument"] = tools
	if who.Operator != "" {
		run["agent"], root["author"] = id("#operator"), id("#operator")
		graph = append(graph, entity{"@id": "#operator", "@type": "Person", "name": who.Operator})
	}
	head := entity{"@id": CrateName, "@type": "CreativeWork", "conformsTo": id("https://w3id.org/ro/crate/1.1"), "about": id("./")}
	text, err := json.MarshalIndent(entity{"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": append([]entity{head, root, run}, graph...)}, "", "  ")
	return append(text, '\n'), err
}

// asURI is the name of a file as the relative URI that an @id must be (RFC 3986).
func asURI(name string) string { return (&url.URL{Path: name}).EscapedPath() }

func orUnfinished(outcome string) string {
	if outcome == "" {
		return "never closed"
	}
	return outcome
}

// Unbundle unfolds a bundle into an empty folder, with what describes it.
func Unbundle(bundle, into string) error {
	z, err := zip.OpenReader(bundle)
	if err != nil {
		return fmt.Errorf("%s: %w", bundle, err)
	}
	defer z.Close()
	info, err := os.Stat(bundle)
	if err != nil {
		return err
	}
	most := min(mostUnpacked, max(alwaysFine, mostTimes*info.Size()))
	left := most
	for _, f := range z.File {
		name := filepath.FromSlash(f.Name)
		if strings.HasSuffix(f.Name, "/") {
			continue
		}
		if !filepath.IsLocal(name) {
			return fmt.Errorf("%s: the name %q leads out of the folder", bundle, f.Name)
		}
		n, err := unfold(f, filepath.Join(into, name), left)
		if n > left {
			err = fmt.Errorf("it unfolds to more than %d bytes, which no bundle of this size does", most)
		}
		if err != nil {
			return fmt.Errorf("%s: %s: %w", bundle, f.Name, err)
		}
		left -= n
	}
	return nil
}

func unfold(f *zip.File, name string, most int64) (n int64, err error) {
	if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
		return 0, err
	}
	from, err := f.Open()
	if err != nil {
		return 0, err
	}
	defer from.Close()
	to, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		return 0, errors.New("it is in the bundle twice")
	}
	if err != nil {
		return 0, err
	}
	n, err = io.Copy(to, io.LimitReader(from, most+1))
	if err2 := to.Close(); err == nil {
		err = err2
	}
	return n, err
}
