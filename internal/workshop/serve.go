package workshop

import (
	"slices"
	"strings"

	"bayhold/internal/fault"
	"bayhold/internal/plan"
)

// serve finds which units serve which claim, from the bookings of a plan. A
// booking names its unit and the steps it serves; two claims may have the same
// steps, so that units are matched to places, each unit to one.
func (z *puzzle) serve(bookings []PlannedBooking) ([][]int32, error) {
	unitOf := make(map[Ref]int32, len(z.refs))
	for i, ref := range z.refs {
		unitOf[ref] = int32(i)
	}
	offered := map[string][]int32{} // units by the steps that they serve
	for _, b := range bookings {
		u, ok := unitOf[b.Ref]
		if !ok {
			return nil, unlike(b.ID + " is not among the site's resources")
		}
		key := strings.Join(b.Steps, "\x00")
		if !slices.Contains(offered[key], u) {
			offered[key] = append(offered[key], u)
		}
	}
	alike := map[string][]int{} // claims by their steps
	for c, claim := range z.problem.Claims {
		if z.claims[c].kind == kindPart {
			continue
		}
		key := z.key(claim)
		alike[key] = append(alike[key], c)
	}
	out := make([][]int32, len(z.problem.Claims))
	for c, claim := range z.problem.Claims {
		if z.claims[c].kind == kindPart {
			out[c] = claim.Eligible
		}
	}
	for key, claims := range alike {
		if !z.match(claims, offered[key], out) {
			id, _, _ := strings.Cut(key, "\x00")
			return nil, fault.New(fault.Precondition, "PLAN_UNFIT",
				"what serves step %s is not, or no longer, what the step needs; nothing was booked: find again", id)
		}
	}
	return out, nil
}

func (z *puzzle) key(c plan.Claim) string {
	ids := make([]string, 0, len(c.Steps))
	for _, s := range c.Steps {
		ids = append(ids, z.network.Steps[s].ID)
	}
	return strings.Join(ids, "\x00")
}

// match gives each place of the claims a unit of its own out of those offered,
// by augmenting paths (Kuhn 1955); false if that cannot be done.
func (z *puzzle) match(claims []int, offered []int32, out [][]int32) bool {
	var places []int // the claim of each place
	for _, c := range claims {
		for range z.problem.Claims[c].Count {
			places = append(places, c)
		}
	}
	holder := map[int32]int{} // unit to place
	var seat func(place int, seen map[int32]bool) bool
	seat = func(place int, seen map[int32]bool) bool {
		for _, u := range offered {
			if seen[u] || !slices.Contains(z.problem.Claims[places[place]].Eligible, u) {
				continue
			}
			seen[u] = true
			if other, taken := holder[u]; !taken || seat(other, seen) {
				holder[u] = place
				return true
			}
		}
		return false
	}
	for p := range places {
		if !seat(p, map[int32]bool{}) {
			return false
		}
	}
	for u, p := range holder {
		out[places[p]] = append(out[places[p]], u)
	}
	for _, c := range claims {
		slices.Sort(out[c])
	}
	return true
}
