package rpc

import (
	"encoding/base64"
	"testing"
	"unicode/utf8"

	"bayhold/internal/fault"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// FuzzPageToken holds that a page token is refused, or leads to a place of the
// list that it was made for.
func FuzzPageToken(f *testing.F) {
	req := &bayholdv1.ListBookingsRequest{Parent: quay}
	scope := scopeOf(req)
	for _, s := range []string{"", "x", "=", "1936684800000000/7", "9223372036854775808/1", "-1/-1", "/", "\x00/\xff"} {
		f.Add(s)
		f.Add(base64.RawURLEncoding.EncodeToString(append(scope[:], s...)))
	}
	f.Fuzz(func(t *testing.T, token string) {
		p, err := openPage(&bayholdv1.ListBookingsRequest{Parent: quay, PageToken: token})
		if err != nil {
			if fault.KindOf(err) != fault.Invalid {
				t.Errorf("%q: %v", token, err)
			}
			return
		}
		if token == "" && p.cursor != "" || p.limit <= 0 {
			t.Errorf("%q gives %+v", token, p)
		}
		start, id, err := p.place()
		switch {
		case err != nil && fault.KindOf(err) != fault.Invalid:
			t.Errorf("%q: %v", token, err)
		case err == nil && p.cursor != "":
			again, same, err := pager{cursor: placeCursor(start, id)}.place()
			if err != nil || !again.Equal(start) || same != id {
				t.Errorf("%q leads to %v/%d, and from there to %v/%d: %v", token, start, id, again, same, err)
			}
		}
	})
}

// FuzzNames holds that whatever stands for a name is refused, or read as parts
// that make the same name again; and that a refusal can be shown.
func FuzzNames(f *testing.F) {
	for _, s := range texts {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		if siteID, id, err := parse("name", name, bays); err == nil {
			if again := nameOf(siteID, bays, id); again != name {
				t.Errorf("%q is read as %q", name, again)
			}
		} else if fl := fault.Fault(err); fl == nil || !utf8.ValidString(fl.Error()) || len(fl.Error()) > 400 {
			t.Errorf("%q is refused with %q", name, err)
		}
		if siteID, id, err := parseNumbered("name", name, jobs); err == nil && (id <= 0 || siteID == "") {
			t.Errorf("%q is number %d of %q", name, id, siteID)
		}
		if ref, err := parseRef("name", name, "quay"); err == nil && refName("quay", ref) != name {
			t.Errorf("%q is read as %q", name, refName("quay", ref))
		}
	})
}
