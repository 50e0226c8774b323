package plan

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// The page about plan.json names every key and every operation there is, and this version.
func TestThePlanFormatIsDescribed(t *testing.T) {
	text, err := os.ReadFile("../../examples/plan-format.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	missing := func(of, name string) {
		if !strings.Contains(page, "`"+name+"`") {
			t.Errorf("examples/plan-format.md does not say what %s %s is", of, name)
		}
	}
	seen := map[reflect.Type]bool{reflect.TypeFor[Summary](): true} // nothing executes it
	var walk func(reflect.Type)
	walk = func(x reflect.Type) {
		for x.Kind() == reflect.Pointer || x.Kind() == reflect.Slice {
			x = x.Elem()
		}
		if x.Kind() != reflect.Struct || seen[x] {
			return
		}
		seen[x] = true
		for i := range x.NumField() {
			name, _, _ := strings.Cut(x.Field(i).Tag.Get("json"), ",")
			missing(x.Name()+"'s key", name)
			walk(x.Field(i).Type)
		}
	}
	walk(reflect.TypeFor[Plan]())
	source, err := os.ReadFile("plan.go")
	if err != nil {
		t.Fatal(err)
	}
	operations := regexp.MustCompile(`Op += "(\w+)"`).FindAllStringSubmatch(string(source), -1)
	for _, op := range operations {
		missing("the operation", op[1])
	}
	if len(operations) < 20 || len(seen) < 15 {
		t.Errorf("%d operations and %d kinds of tables were looked for", len(operations), len(seen))
	}
	if want := fmt.Sprintf("It is version %d.", Version); !strings.Contains(page, want) {
		t.Errorf("expected %q", want)
	}
}
