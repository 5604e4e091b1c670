package access

import (
	"strings"
	"testing"
)

// FuzzToken holds that what is read as a token names a site in its second part,
// and that no token is left in a text that logs may have.
func FuzzToken(f *testing.F) {
	for _, s := range []string{NewToken("quay"), "bayhold.quay.", "bayhold..x", "Bearer " + NewToken("a-b") + "\n", "bayhold.bayhold.quay.x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		slug, ok := tokenSite(text)
		if ok && (slug == "" || strings.Split(text, ".")[1] != slug) {
			t.Errorf("%q is of the site %q", text, slug)
		}
		if hidden := Hide(text); ok && strings.Contains(hidden, text) {
			t.Errorf("%q is shown as %q", text, hidden)
		}
		for _, word := range strings.Fields(Hide(text)) {
			if _, still := tokenSite(word); still {
				t.Errorf("%q still shows the token %q", text, word)
			}
		}
	})
}
