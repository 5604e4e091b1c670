package store

import (
	"container/list"
	"slices"
	"sync"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"bayhold/internal/procedure"
	"bayhold/internal/site"
)

// mark is what a site's counter row bears of its catalogue: the database gives
// another one with every transaction that changes any of it, and never the same
// again.
type mark uuid.UUID

// catalogue is what a site has that rarely changes, read as of one mark. It is
// never changed, so that all may share it.
type catalogue struct {
	mark         mark
	bays         []site.Bay
	technicians  []site.Technician
	toolTypes    []site.ToolType
	tools        []site.Tool
	preparations []procedure.Preparation
	procedures   []procedure.Procedure // newest versions and newest that are ISSUED, by id and version
	bytes        int                   // that were read for it
}

// queueCatalogue reads a site's catalogue as part of a batch.
func (r Reader) queueCatalogue(b *pgx.Batch) *catalogue {
	c := &catalogue{}
	weighed(r.bays(Page{}, nil), &c.bytes).queue(b, &c.bays)
	weighed(r.technicians(Page{}, nil), &c.bytes).queue(b, &c.technicians)
	weighed(r.toolTypes(Page{}, nil), &c.bytes).queue(b, &c.toolTypes)
	weighed(r.tools(Page{}, nil), &c.bytes).queue(b, &c.tools)
	weighed(r.preparations(Page{}, "", nil), &c.bytes).queue(b, &c.preparations)
	weighed(r.versionsOf(nil), &c.bytes).queue(b, &c.procedures)
	// The mark comes last: if it is the one from before, nothing was changed
	// between the first of these and the last.
	b.Queue("SELECT catalogue FROM site_counter WHERE site_id = $1", r.siteID).
		QueryRow(func(row pgx.Row) error { return row.Scan((*uuid.UUID)(&c.mark)) })
	return c
}

// weighed adds up the bytes of the rows that are read.
func weighed[T any](a ask[T], bytes *int) ask[T] {
	read := a.row
	a.row = func(row pgx.CollectableRow) (T, error) {
		for _, v := range row.RawValues() {
			*bytes += len(v)
		}
		return read(row)
	}
	return a
}

// has tells whether procedures with a version are among those of a catalogue.
func (c *catalogue) has(refs []site.ProcedureRef) bool {
	for _, ref := range refs {
		if ref.Version != 0 && (c == nil || !slices.ContainsFunc(c.procedures, func(p procedure.Procedure) bool {
			return p.ID == ref.ID && p.Version == ref.Version
		})) {
			return false
		}
	}
	return true
}

// chosen gives those of a list with certain ids, in its order; all with nil.
func chosen[T any](list []T, ids []string, id func(T) string) []T {
	if ids == nil {
		return list
	}
	var out []T
	for _, v := range list {
		if slices.Contains(ids, id(v)) {
			out = append(out, v)
		}
	}
	return out
}

// idsOf parts resources by kind; no resources at all mean all of each kind.
func idsOf(refs []Ref) map[site.Kind][]string {
	if refs == nil {
		return nil
	}
	out := map[site.Kind][]string{site.KindBay: {}, site.KindTechnician: {}, site.KindTool: {}}
	for _, ref := range refs {
		out[ref.Kind] = append(out[ref.Kind], ref.ID)
	}
	return out
}

// catalogues keeps those that were read last, within a bound. They spare work
// and decide nothing: each is used only as long as its mark is the database's.
type catalogues struct {
	most int // bytes

	mu     sync.Mutex
	bySite map[int64]*list.Element // of *shelved
	order  list.List               // the last used first
	bytes  int
}

type shelved struct {
	siteID int64
	*catalogue
}

func newCatalogues(most int) *catalogues {
	return &catalogues{most: most, bySite: map[int64]*list.Element{}}
}

// of gives the catalogue of a site that was kept last; nil if none is.
func (k *catalogues) of(siteID int64) *catalogue {
	k.mu.Lock()
	defer k.mu.Unlock()
	e := k.bySite[siteID]
	if e == nil {
		return nil
	}
	k.order.MoveToFront(e)
	return e.Value.(shelved).catalogue
}

// keep puts the catalogue of a site in the place of what was kept of it, and lets
// go of those that were not used for longest if it gets too much.
func (k *catalogues) keep(siteID int64, c *catalogue) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if e := k.bySite[siteID]; e != nil {
		if e.Value.(shelved).catalogue == c {
			return
		}
		k.drop(e)
	}
	k.bySite[siteID] = k.order.PushFront(shelved{siteID, c})
	for k.bytes += c.bytes; k.bytes > k.most; {
		k.drop(k.order.Back())
	}
}

func (k *catalogues) drop(e *list.Element) {
	was := k.order.Remove(e).(shelved)
	delete(k.bySite, was.siteID)
	k.bytes -= was.bytes
}
