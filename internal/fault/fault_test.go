package fault_test

import (
	"errors"
	"fmt"
	"testing"

	"bayhold/internal/fault"
)

func TestEveryKindHasAName(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, k := range fault.Kinds() {
		if name := k.String(); name == "" || seen[name] {
			t.Errorf("kind %d is called %q", k, name)
		}
		seen[k.String()] = true
	}
}

func TestAFaultIsFoundHoweverWrapped(t *testing.T) {
	t.Parallel()
	cause := errors.New("no route to host")
	f := fault.New(fault.Unavailable, "DATABASE", "try %s", "again").Because(cause)
	err := fmt.Errorf("booking: %w", fmt.Errorf("committing: %w", f))
	if got := fault.Fault(err); got != f {
		t.Errorf("found %v", got)
	}
	if got := fault.KindOf(err); got != fault.Unavailable {
		t.Errorf("kind %v", got)
	}
	if !errors.Is(err, cause) {
		t.Error("the cause is lost")
	}
	if want := "try again: no route to host"; f.Error() != want {
		t.Errorf("says %q, want %q", f, want)
	}
	if fault.Fault(cause) != nil || fault.KindOf(cause) != fault.Internal {
		t.Error("an error that is no fault is taken for one")
	}
}

func TestFieldsTellAllAtOnce(t *testing.T) {
	t.Parallel()
	var fs fault.Fields
	if err := fs.Err("BAD", "it is bad"); err != nil {
		t.Errorf("nothing is wrong, and yet: %v", err)
	}
	fs.Add("start", "is missing")
	fs.Add("end", "lies before %d", 2000)
	f := fault.Fault(fs.Err("BAD", "it is bad"))
	if f == nil || f.Kind != fault.Invalid || len(f.Fields) != 2 {
		t.Fatalf("got %v", f)
	}
	if want := "it is bad; start: is missing; end: lies before 2000"; f.Error() != want {
		t.Errorf("says %q, want %q", f, want)
	}
}
