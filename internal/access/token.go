package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"log/slog"
	"regexp"
	"strings"
)

// Parts of a token's text.
const (
	// tokenPrefix lets people, and programs that search for what was left lying
	// about, see what it is.
	tokenPrefix = "bayhold."
	// secretBytes is how much chance a token holds: 256 bits, which nobody
	// guesses, so that a plain SHA-256 of it may be kept.
	secretBytes = 32
)

// tokenForm is "bayhold.SITE.SECRET". Neither part can hold a full stop.
var tokenForm = regexp.MustCompile(`^bayhold\.([a-z0-9][a-z0-9-]{0,62})\.[A-Za-z0-9_-]{43}$`)

// NewToken makes the text of a token for a site.
func NewToken(site string) string {
	var secret [secretBytes]byte
	_, _ = rand.Read(secret[:]) // never fails: crypto/rand ends the program instead
	return tokenPrefix + site + "." + base64.RawURLEncoding.EncodeToString(secret[:])
}

// HashToken is what is kept of a token's text, the site's name included.
func HashToken(text string) [32]byte { return sha256.Sum256([]byte(text)) }

// tokenSite tells for which site a text is a token; false if it is none at all.
func tokenSite(text string) (string, bool) {
	parts := tokenForm.FindStringSubmatch(text)
	if parts == nil {
		return "", false
	}
	return parts[1], true
}

// Hide writes stars over all tokens in a text, for logs.
func Hide(text string) string {
	if !strings.Contains(text, tokenPrefix) {
		return text
	}
	return anyToken.ReplaceAllString(text, "${1}***")
}

// HideAttr is Hide for what a log/slog handler is about to write: its ReplaceAttr.
func HideAttr(_ []string, a slog.Attr) slog.Attr {
	switch v := a.Value.Any().(type) {
	case string:
		a.Value = slog.StringValue(Hide(v))
	case error:
		a.Value = slog.StringValue(Hide(v.Error()))
	}
	return a
}

var anyToken = regexp.MustCompile(`(bayhold\.[a-z0-9-]+\.)[A-Za-z0-9_-]{16,}`)
