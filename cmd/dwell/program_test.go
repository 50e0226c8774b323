package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
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

// patience is the deadline of a wait that should be over in a few seconds, on a machine that
// has a dozen other things to do.
const patience = 2 * time.Minute

// program is the built dwell, scratch a folder for all tests. alive is open as long as
// these tests live.
var (
	program, scratch string
	alive            *os.File
)

func TestMain(m *testing.M) {
	if mark := os.Getenv(survivor); mark != "" {
		outlive(mark)
		return
	}
	os.Exit(built(m))
}

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
	if err := startSurvivor(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	program = filepath.Join(scratch, "dwell")
	if runtime.GOOS == "windows" {
		program += ".exe"
	}
	args := []string{"build", "-o", program}
	if racing {
		args = append(args, "-race")
	}
	by, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if out, err := exec.CommandContext(by, "go", append(args, ".")...).CombinedOutput(); err != nil {
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
	p.cmd.WaitDelay = 3 * patience // a guard has its standard error, and may go on
	p.cmd.Env = append(os.Environ(), marked(own))
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
			soon(shown, 3*patience)
		}
		close(p.over)
	}()
	p.t.Cleanup(func() {
		p.cmd.Process.Kill()
		if !soon(p.over, patience) { // a guard goes on trying when the test has failed
			left := endLeft(p.marked() + "\x00")
			if !soon(p.over, patience) {
				p.t.Errorf("dwell %s was killed, and %q, but waited %v in vain for its end", strings.Join(p.cmd.Args[1:], " "), left, 2*patience)
				return
			}
		}
		if p.t.Failed() {
			p.t.Logf("dwell %s\nexit %d\nstdout:\n%s\nstderr:\n%s", strings.Join(p.cmd.Args[1:], " "), p.cmd.ProcessState.ExitCode(), p.out, p.err)
			p.lastExchanges()
		}
	})
}

// soon waits for something to be over, and tells whether it is.
func soon(over <-chan struct{}, most time.Duration) bool {
	select {
	case <-over:
		return true
	case <-time.After(most):
		return false
	}
}

// marked is what every process of a test has in its environment, and no other has.
func marked(own string) string { return "TMPDIR=" + own }

func (p *process) marked() string {
	return p.cmd.Env[slices.IndexFunc(p.cmd.Env, func(v string) bool { return strings.HasPrefix(v, marked(scratch)) })]
}

// endLeft ends what processes are left whose mark begins so, as far as the system lets them be
// seen, and returns their command lines.
func endLeft(mark string) (left []string) {
	found, _ := filepath.Glob("/proc/[0-9]*/environ")
	for _, name := range found {
		variables, _ := os.ReadFile(name)
		if !bytes.HasPrefix(variables, []byte(mark)) && !bytes.Contains(variables, []byte("\x00"+mark)) {
			continue
		}
		words, _ := os.ReadFile(filepath.Join(filepath.Dir(name), "cmdline"))
		pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(name)))
		if p, err := os.FindProcess(pid); err == nil && p.Kill() == nil {
			left = append(left, string(bytes.ReplaceAll(words, []byte{0}, []byte(" "))))
		}
	}
	return left
}

// survivor names the variable that makes this program one that only waits until the
// tests are over, and ends what they have left: also when they were killed.
const survivor = "DWELL_TEST_SURVIVOR"

func startSurvivor() error {
	var end *os.File
	var err error
	end, alive, err = os.Pipe()
	if err != nil {
		return err
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	c := exec.Command(self)
	c.Stdin, c.Env = end, append(os.Environ(), survivor+"="+scratch)
	return errors.Join(c.Start(), end.Close())
}

func outlive(folder string) {
	signal.Ignore(os.Interrupt) // it may be for all of the tests
	io.Copy(io.Discard, os.Stdin)
	endLeft(marked(folder) + "/")
	os.RemoveAll(folder)
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

// ends waits for the end.
func (p *process) ends() {
	p.t.Helper()
	if !soon(p.over, patience) {
		p.t.Fatalf("waited %v in vain for the end of dwell %s", patience, strings.Join(p.cmd.Args[1:], " "))
	}
}

// exit waits for the end and returns the exit code.
func (p *process) exit() int {
	p.t.Helper()
	p.ends()
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
