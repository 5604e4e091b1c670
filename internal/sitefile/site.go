package sitefile

import (
	"slices"

	"bayhold/internal/site"
)

const idAdvice = "write a short name for references, such as bay-1"

// readSite reads the site itself, which stands in one file at most.
func (r *reader) readSite(w *Workshop, sections []value) {
	for i, v := range sections {
		if i > 0 {
			v.fault("the files describe the site twice: the first is at %s", sections[0].where())
			continue
		}
		o, ok := v.object("id", "name", "time_zone")
		if !ok {
			continue
		}
		s := &site.Site{ID: o.need("id", idAdvice).slug(), Name: o.title("name")}
		zone := o.need("time_zone", "write an IANA name such as Europe/Lisbon")
		s.TimeZone = zone.text(maxName)
		if _, err := loadZone(s.TimeZone); err != nil && zone.present() {
			zone.fault("%q is no IANA time zone: write a name such as Europe/Lisbon", clip(s.TimeZone))
		}
		if k := r.known.Site; k != nil && s.ID != "" && k.ID != s.ID {
			o.get("id").fault("this file is for site %s, not for %s", clip(s.ID), k.ID)
		}
		w.Site = s
	}
	if len(sections) == 0 && r.known.Site == nil && len(r.found) == 0 {
		r.note("", 0, "no file says which site this is for: write site with id, name and time_zone into one of them")
	}
}

func (r *reader) readFamilies(w *Workshop, lists []value) {
	for _, v := range items(lists) {
		if o, ok := v.object("id", "name"); ok {
			id := o.need("id", idAdvice)
			f := site.EngineFamily{ID: id.slug(), Name: o.title("name")}
			if r.define(aFamily, f.ID, id) {
				w.EngineFamilies = append(w.EngineFamilies, f)
			}
		}
	}
}

func (r *reader) readBays(w *Workshop, lists []value) {
	for _, v := range items(lists) {
		o, ok := v.object("id", "name", "features", "closures")
		if !ok {
			continue
		}
		id := o.need("id", idAdvice)
		b := site.Bay{ID: id.slug(), Name: o.title("name"), Features: o.get("features").slugs(), Closures: o.get("closures").closures()}
		slices.Sort(b.Features)
		if r.define(aBay, b.ID, id) {
			w.Bays = append(w.Bays, b)
		}
	}
}

func (r *reader) readTechnicians(w *Workshop, lists []value) {
	for _, v := range items(lists) {
		o, ok := v.object("id", "name", "skills", "shifts", "absences")
		if !ok {
			continue
		}
		id := o.need("id", idAdvice)
		t := site.Technician{
			ID: id.slug(), Name: o.title("name"), Skills: o.get("skills").slugs(),
			Shifts:   o.need("shifts", "write lines such as mon-fri: 08:00-12:00, 13:00-17:00").shifts(),
			Absences: o.get("absences").closures(),
		}
		slices.Sort(t.Skills)
		if r.define(aTechnician, t.ID, id) {
			w.Technicians = append(w.Technicians, t)
		}
	}
}
