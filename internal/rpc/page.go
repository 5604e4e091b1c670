package rpc

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"bayhold/internal/fault"
	"bayhold/internal/workshop"
)

// Sizes of pages.
const (
	usualPage = 100
	largePage = 1000
)

// listRequest is a request for a page, in the manner of AIP-158.
type listRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// pager cuts a list into pages. Its tokens carry a digest of what was asked, so
// that a token from another list, or of other filters, is refused instead of
// answered with nonsense.
type pager struct {
	scope  [8]byte
	limit  int
	cursor string // where the page before ended; empty for the first page
}

func openPage(req listRequest) (pager, error) {
	var fs fault.Fields
	p := pager{scope: scopeOf(req), limit: usualPage}
	switch size := req.GetPageSize(); {
	case size < 0:
		fs.Add("page_size", "must not be negative")
	case size > largePage:
		p.limit = largePage
	case size > 0:
		p.limit = int(size)
	}
	if token := req.GetPageToken(); token != "" {
		raw, err := base64.RawURLEncoding.DecodeString(token)
		if err != nil || len(raw) <= len(p.scope) || [8]byte(raw[:8]) != p.scope {
			fs.Add("page_token", "does not belong to this list: start without a token")
		} else {
			p.cursor = string(raw[8:])
		}
	}
	return p, fs.Err("PAGE", "the page asked for does not exist")
}

// scopeOf digests a request without its page.
func scopeOf(req listRequest) [8]byte {
	clean := proto.Clone(req).ProtoReflect()
	for _, name := range []protoreflect.Name{"page_size", "page_token"} {
		clean.Clear(clean.Descriptor().Fields().ByName(name))
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(clean.Interface())
	if err != nil {
		return [8]byte{}
	}
	sum := sha256.Sum256(append([]byte(clean.Descriptor().FullName()), raw...))
	return [8]byte(sum[:8])
}

// ask is how many elements to read: one more than the page holds tells whether
// there is a next one.
func (p pager) ask() int { return p.limit + 1 }

// cut gives the page out of what was read, and the token of the next; cursor
// says where an element stands.
func cut[T any](p pager, read []T, cursor func(T) string) (page []T, next string) {
	if len(read) <= p.limit {
		return read, ""
	}
	page = read[:p.limit]
	return page, base64.RawURLEncoding.EncodeToString(append(p.scope[:], cursor(page[p.limit-1])...))
}

// pageOf answers a page of the things of a site that are listed by id: read gives
// them, id tells the id of one, write makes its message.
func pageOf[T, M any](ctx context.Context, parent string, req listRequest,
	read func(ctx context.Context, siteID string, page workshop.Page) ([]T, error), id func(T) string, write func(siteID string, v T) M,
) (page []M, next string, err error) {
	siteID, err := siteName("parent", parent)
	if err != nil {
		return nil, "", err
	}
	p, err := openPage(req)
	if err != nil {
		return nil, "", err
	}
	list, err := read(ctx, siteID, workshop.Page{After: p.cursor, Limit: p.ask()})
	if err != nil {
		return nil, "", err
	}
	list, next = cut(p, list, id)
	for _, v := range list {
		page = append(page, write(siteID, v))
	}
	return page, next, nil
}

// placeCursor and place write and read the place of an element in a list by
// start and number.
func placeCursor(start time.Time, id int64) string {
	return strconv.FormatInt(start.UnixMicro(), 10) + "/" + strconv.FormatInt(id, 10)
}

func (p pager) place() (start time.Time, id int64, err error) {
	if p.cursor == "" {
		return time.Time{}, 0, nil
	}
	before, after, _ := strings.Cut(p.cursor, "/")
	micros, err1 := strconv.ParseInt(before, 10, 64)
	id, err2 := strconv.ParseInt(after, 10, 64)
	if err1 != nil || err2 != nil {
		var fs fault.Fields
		fs.Add("page_token", "does not belong to this list: start without a token")
		return time.Time{}, 0, fs.Err("PAGE", "the page asked for does not exist")
	}
	return time.UnixMicro(micros).UTC(), id, nil
}
