package tooling

import (
	"net/url"
	"strings"
	"unicode"
)

// maxURL bounds the address of a photo, in bytes.
const maxURL = 2_000

// PhotoURL says what is wrong with the address of a photo or drawing; empty if
// nothing. It must be an absolute https address without a password in it. It is
// never fetched here.
func PhotoURL(s string) string {
	if s == "" {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case len(s) > maxURL:
		return "is longer than 2000 bytes"
	case err != nil || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) }):
		return "is no address: write such as https://files.example.org/ls-1.jpg"
	case u.Scheme != "https":
		return "must begin with https://"
	case u.Hostname() == "" || u.Opaque != "":
		return "names no server: write such as https://files.example.org/ls-1.jpg"
	case u.User != nil:
		return "must not carry a user or password"
	}
	return ""
}
