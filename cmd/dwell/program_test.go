package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dwell/logs"
)

// The tests here use the program as it is built, in processes of its own, and look
// at what it leaves: exit codes, words, run folders, and the journal of the virtual
// bench. They wait for something to happen, with a deadline; a deadline is long,
// since the machine may be busy, and says nothing of how long things should take.

// patience is the deadline of a wait that should be over in a few seconds.
const patience = 40 * time.Second

// program is the built dwell, scratch a folder for all tests.
var program, scratch string

func TestMain(m *testing.M) { os.Exit(built(m)) }

func built(m *testing.M) int {
	flag.Parse()
	goFirst()
	info, known := debug.ReadBuildInfo()
	racing := known && slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
	// Nearly all of these tests wait for something nearly all of the time. But what
	// stands for instruments must answer in time, on a slow machine too.
	if f := flag.Lookup("test.parallel"); f.Value.String() == fmt.Sprint(runtime.GOMAXPROCS(0)) {
		f.Value.Set(map[bool]string{true: "8", false: "16"}[racing])
	}
	var err error
	if scratch, err = os.MkdirTemp("", "dwell-test-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(scratch)
	program = filepath.Join(scratch, "dwell")
	if runtime.GOOS == "windows" {
		program += ".exe"
	}
	args := []string{"build", "-o", program}
	if racing {
		args = append(args, "-race")
	}
	if out, err := exec.Command("go", append(args, ".")...).CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "%v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// process is a dwell that runs.
type process struct {
	t        *testing.T
	cmd      *exec.Cmd
	out, err *text
	over     chan struct{}
}

// text is what a process has written so far.
type text struct {
	mutex sync.Mutex
	bytes bytes.Buffer
}

func (x *text) Write(b []byte) (int, error) {
	x.mutex.Lock()
	defer x.mutex.Unlock()
	return x.bytes.Write(b)
}

func (x *text) String() string {
	x.mutex.Lock()
	defer x.mutex.Unlock()
	return x.bytes.String()
}

// ready prepares a dwell, without a terminal and with an empty standard input. Its
// locks are seen by the others of this test only: the system gives the number of a
// PTY that was cut to another test.
func ready(t *testing.T, args ...string) *process {
	t.Helper()
	own := filepath.Join(scratch, strings.NewReplacer("/", "_", " ", "_").Replace(t.Name()))
	if err := os.MkdirAll(own, 0o777); err != nil {
		t.Fatal(err)
	}
	p := &process{t: t, cmd: exec.Command(program, args...), out: &text{}, err: &text{}, over: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr = p.out, p.err
	p.cmd.Env = append(os.Environ(), "TMPDIR="+own)
	return p
}

// start starts it, and sees to it that nothing of it is left after the test.
func (p *process) start() *process {
	p.t.Helper()
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.watch(nil)
	return p
}

// watch waits for the end of what was started, and until all of it has been shown.
func (p *process) watch(shown <-chan struct{}) {
	go func() {
		p.cmd.Wait()
		if shown != nil {
			<-shown
		}
		close(p.over)
	}()
	p.t.Cleanup(func() {
		p.cmd.Process.Kill()
		select {
		case <-p.over:
		case <-time.After(patience): // a guard goes on trying when the test has failed
			p.endGuards()
			<-p.over
		}
		if p.t.Failed() {
			p.t.Logf("dwell %s\nexit %d\nstdout:\n%s\nstderr:\n%s", strings.Join(p.cmd.Args[1:], " "), p.cmd.ProcessState.ExitCode(), p.out, p.err)
			p.lastExchanges()
		}
	})
}

// endGuards ends the guards of a run whose bench is gone for ever, where it can be
// seen that they are still these.
func (p *process) endGuards() {
	found, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	for _, name := range found {
		words, _ := os.ReadFile(name)
		pid, _ := strconv.Atoi(strings.Split(name, "/")[2])
		if guard, err := os.FindProcess(pid); err == nil && bytes.Contains(words, []byte("guard\x00--folder")) &&
			bytes.HasSuffix(words, []byte(fmt.Sprintf("--owner\x00%d\x00", p.cmd.Process.Pid))) {
			guard.Kill()
		}
	}
}

// lastExchanges shows what a run that failed a test had to do with its instruments
// in the end.
func (p *process) lastExchanges() {
	at := slices.Index(p.cmd.Args, "--out")
	if at < 0 || at+1 == len(p.cmd.Args) {
		return
	}
	found, _ := filepath.Glob(filepath.Join(p.cmd.Args[at+1], "*", "wire.jsonl"))
	for _, name := range found {
		text, _ := os.ReadFile(name)
		lines := strings.SplitAfter(string(text), "\n")
		p.t.Logf("%s ends:\n%s", name, strings.Join(lines[max(0, len(lines)-40):], ""))
	}
}

func start(t *testing.T, args ...string) *process {
	t.Helper()
	return ready(t, args...).start()
}

// exit waits for the end and returns the exit code.
func (p *process) exit() int {
	p.t.Helper()
	select {
	case <-p.over:
	case <-time.After(patience):
		p.t.Fatalf("no end after %v", patience)
	}
	return p.cmd.ProcessState.ExitCode()
}

// exits is exit with the code that is expected.
func (p *process) exits(code int) {
	p.t.Helper()
	if got := p.exit(); got != code {
		p.t.Fatalf("exit code %d, expected %d", got, code)
	}
}

// says waits for words on standard error.
func (p *process) says(words string) {
	p.t.Helper()
	wait(p.t, fmt.Sprintf("the words %q", words), func() bool {
		select {
		case <-p.over:
			if !strings.Contains(p.err.String(), words) {
				p.t.Fatalf("ended without the words %q", words)
			}
		default:
		}
		return strings.Contains(p.err.String(), words)
	})
}

// wait waits until something is so. It looks again and again, as nobody tells it
// when another process has written something.
func wait(t *testing.T, what string, so func() bool) {
	t.Helper()
	for by := time.Now().Add(patience); !so(); {
		if time.Now().After(by) {
			t.Fatalf("waited %v in vain for %s", patience, what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// theFolder is the only run folder below a root.
func theFolder(t *testing.T, root string) string {
	t.Helper()
	found := folders(t, root)
	if len(found) != 1 {
		t.Fatalf("%d run folders, expected one: %v", len(found), found)
	}
	return found[0]
}

func folders(t *testing.T, root string) (found []string) {
	t.Helper()
	entries, err := os.ReadDir(root)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Name()[0] != '.' {
			found = append(found, filepath.Join(root, e.Name()))
		}
	}
	return found
}

// lastObject is the last line of standard output, as --json promises it.
func lastObject(t *testing.T, out io.Reader) map[string]any {
	t.Helper()
	b, err := io.ReadAll(out)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
	object := map[string]any{}
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &object); err != nil {
		t.Fatalf("the last line of standard output is %q: %v", lines[len(lines)-1], err)
	}
	return object
}

// expectObject compares some members of the last line with what they should be.
func (p *process) expectObject(members map[string]any) map[string]any {
	p.t.Helper()
	object := lastObject(p.t, strings.NewReader(p.out.String()))
	for key, want := range members {
		if got := object[key]; got != want {
			p.t.Errorf("--json: %q is %v, expected %v", key, got, want)
		}
	}
	return object
}

// openRecord reads a run folder as it is now.
func openRecord(t *testing.T, folder string) (*logs.Run, []logs.Tail) {
	t.Helper()
	r, tails, err := logs.Open(logs.Disk{}, folder)
	if err != nil {
		t.Fatal(err)
	}
	return r, tails
}

// readings are the rows of readings.csv.
func readings(t *testing.T, folder string) (rows []logs.Row) {
	t.Helper()
	r, _ := openRecord(t, folder)
	for row, err := range r.Rows() {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	return rows
}

// happening is a line of events.jsonl.
type happening struct {
	Event string `json:"event"`
	AtNs  int64  `json:"t_ns"`
	Step  string `json:"step"`
	Text  string `json:"text"`
}

func happenings(t *testing.T, folder string) (all []happening) {
	t.Helper()
	r, _ := openRecord(t, folder)
	for line, err := range r.Events() {
		var h happening
		if err == nil {
			err = json.Unmarshal(line, &h)
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, h)
	}
	return all
}

// happened is the first event of a kind.
func happened(t *testing.T, folder, kind string) happening {
	t.Helper()
	for _, h := range happenings(t, folder) {
		if h.Event == kind {
			return h
		}
	}
	t.Fatalf("no event %q in %s", kind, folder)
	return happening{}
}

// write writes a file below the test's own folder.
func write(t *testing.T, name, content string) string {
	t.Helper()
	if err := os.WriteFile(name, []byte(content), 0o666); err != nil {
		t.Fatal(err)
	}
	return name
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
