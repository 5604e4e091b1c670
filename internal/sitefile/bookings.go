package sitefile

import (
	"slices"
	"time"

	"bayhold/internal/site"
)

// claimed is a claim with its place in the files.
type claimed struct {
	Claim
	reference string
	at        value
}

func (r *reader) readBookings(w *Workshop, lists []value) {
	var all []claimed
	for _, v := range items(lists) {
		o, ok := v.object("reference", "note", "state", "expires", "start", "end", "bay", "technicians", "tools", "claims")
		if !ok {
			continue
		}
		reference := o.need("reference", "write the workshop's own, such as W-1042")
		b := StandingBooking{
			Reference: reference.text(maxName), Note: o.get("note").text(maxText),
			State: choice(o.get("state"), []site.BookingState{site.Confirmed, site.Tentative}),
			Place: reference.where(),
		}
		if b.State == "" {
			b.State = site.Confirmed
		}
		b.ExpiresAt = o.expiry(b.State)
		claims := o.claims(b.Reference)
		if !o.names() && !o.get("claims").present() {
			o.fault("claims nothing: name a bay, technicians or tools with start and end")
		}
		for _, c := range claims {
			b.Claims = append(b.Claims, c.Claim)
		}
		if r.define(aBooking, b.Reference, reference) {
			w.Bookings = append(w.Bookings, b)
			all = append(all, claims...)
		}
	}
	r.judgeClaims(all)
}

func (o object) expiry(state site.BookingState) time.Time {
	v := o.get("expires")
	if state == site.Tentative && !v.present() {
		v.fault("is missing: a TENTATIVE booking lapses at some time")
	}
	if state != site.Tentative && v.present() {
		v.fault("goes with TENTATIVE bookings only")
		return time.Time{}
	}
	return v.moment(true)
}

// claims reads what is booked: the resources of the booking for its start and
// end, and those of its claims for their own.
func (o object) claims(reference string) []claimed {
	out := o.claimsFor(o, reference)
	for _, e := range o.get("claims").bounded(maxClaims) {
		if c, ok := e.object("start", "end", "bay", "technicians", "tools"); ok {
			out = append(out, c.claimsFor(o, reference)...)
			if !c.names() {
				c.fault("claims nothing: name a bay, technicians or tools")
			}
		}
	}
	return out
}

// resourceKey is a key under which resources of a kind are named.
type resourceKey struct {
	key, noun string
	kind      site.Kind
}

var resourceKeys = []resourceKey{
	{"bay", aBay, site.KindBay}, {"technicians", aTechnician, site.KindTechnician}, {"tools", aTool, site.KindTool},
}

// names reports whether resources are named at this level.
func (o object) names() bool {
	return slices.ContainsFunc(resourceKeys, func(k resourceKey) bool { return o.get(k.key).present() })
}

// claimsFor reads the resources named at one level; start and end that are not
// given there are the booking's.
func (o object) claimsFor(whole object, reference string) []claimed {
	if !o.names() {
		return nil
	}
	start, end := o.get("start"), o.get("end")
	if !start.present() {
		start = whole.need("start", "when does it begin? such as 2026-11-25 08:00 or week+1 tue 08:00")
	}
	if !end.present() {
		end = whole.need("end", "when does it end?")
	}
	during, ok := o.during(start, end)
	var out []claimed
	for _, k := range resourceKeys {
		for _, e := range o.get(k.key).bounded(maxListed) {
			id, read := e.scalar()
			if !read {
				continue
			}
			if o.r.refer(k.noun, id, e); !ok || !o.r.exists(k.noun, id) {
				continue
			}
			out = append(out, claimed{Claim{Kind: k.kind, Resource: id, During: during, Place: e.where()}, reference, e})
		}
	}
	return out
}

// judgeClaims notes every resource that is claimed twice at one time.
func (r *reader) judgeClaims(all []claimed) {
	type resource struct {
		kind site.Kind
		id   string
	}
	by := make(map[resource][]claimed)
	for _, c := range all {
		k := resource{c.Kind, c.Resource}
		by[k] = append(by[k], c)
	}
	for _, list := range by {
		slices.SortStableFunc(list, func(a, b claimed) int { return a.During.Start.Compare(b.During.Start) })
		for i := 1; i < len(list); i++ {
			before, c := list[i-1], list[i]
			if before.During.Overlaps(c.During) {
				c.at.fault("%s is booked for %s until %s already, at %s", c.Resource, before.reference, r.local(before.During.End), before.at.where())
			}
			if before.During.End.After(c.During.End) {
				list[i].During.End, list[i].at, list[i].reference = before.During.End, before.at, before.reference
			}
		}
	}
}
