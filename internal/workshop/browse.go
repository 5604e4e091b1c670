package workshop

import (
	"context"
	"time"

	"bayhold/internal/access"
	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/procedure"
	"bayhold/internal/site"
	"bayhold/internal/store"
)

// Site reads a site.
func (w *Workshop) Site(ctx context.Context, slug string) (site.Site, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Site, error) { return r.Site(ctx) })
}

// Sites lists by id the sites that the caller may see: their own.
func (w *Workshop) Sites(ctx context.Context, page Page) ([]site.Site, error) {
	c := access.From(ctx)
	if c.Site == "" {
		return w.store.Sites(ctx, page)
	}
	own, err := w.Site(ctx, c.Site)
	if err != nil || page.After >= own.ID {
		return nil, err
	}
	return []site.Site{own}, nil
}

// Bay reads a bay.
func (w *Workshop) Bay(ctx context.Context, slug, id string) (site.Bay, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Bay, error) { return r.Bay(ctx, id) })
}

// Bays lists bays by id.
func (w *Workshop) Bays(ctx context.Context, slug string, page Page) ([]site.Bay, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Bay, error) { return r.Bays(ctx, page) })
}

// Technician reads a technician.
func (w *Workshop) Technician(ctx context.Context, slug, id string) (site.Technician, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Technician, error) { return r.Technician(ctx, id) })
}

// Technicians lists technicians by id.
func (w *Workshop) Technicians(ctx context.Context, slug string, page Page) ([]site.Technician, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Technician, error) { return r.Technicians(ctx, page) })
}

// ToolType reads a tool type.
func (w *Workshop) ToolType(ctx context.Context, slug, id string) (site.ToolType, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.ToolType, error) { return r.ToolType(ctx, id) })
}

// ToolTypes lists tool types by id.
func (w *Workshop) ToolTypes(ctx context.Context, slug string, page Page) ([]site.ToolType, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.ToolType, error) { return r.ToolTypes(ctx, page) })
}

// Tool reads a tool.
func (w *Workshop) Tool(ctx context.Context, slug, tag string) (site.Tool, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Tool, error) { return r.Tool(ctx, tag) })
}

// EngineFamilies lists engine families by id.
func (w *Workshop) EngineFamilies(ctx context.Context, slug string, page Page) ([]site.EngineFamily, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.EngineFamily, error) {
		return r.EngineFamilies(ctx, page)
	})
}

// Preparation reads a preparation.
func (w *Workshop) Preparation(ctx context.Context, slug, id string) (procedure.Preparation, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (procedure.Preparation, error) {
		return r.Preparation(ctx, id)
	})
}

// Preparations lists preparations by id.
func (w *Workshop) Preparations(ctx context.Context, slug string, page Page) ([]procedure.Preparation, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]procedure.Preparation, error) {
		return r.Preparations(ctx, page, "")
	})
}

// Procedure reads a version of a procedure; version 0 is the newest.
func (w *Workshop) Procedure(ctx context.Context, slug, id string, version int) (procedure.Procedure, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (procedure.Procedure, error) {
		return r.Procedure(ctx, id, version)
	})
}

// Procedures lists the newest versions of procedures by id, of one engine family
// or, with an empty one, of all.
func (w *Workshop) Procedures(ctx context.Context, slug string, page Page, family string) ([]procedure.Procedure, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]procedure.Procedure, error) {
		return r.Procedures(ctx, page, family)
	})
}

// Job reads a job.
func (w *Workshop) Job(ctx context.Context, slug string, id int64) (site.Job, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Job, error) { return r.Job(ctx, id, w.Now()) })
}

// Span chooses what overlaps a time, and continues a list by start.
type Span struct {
	During     hours.Range
	All        bool // what is cancelled or has lapsed, too
	AfterStart time.Time
	AfterID    int64
	Limit      int
}

func (s Span) check() error {
	var fs fault.Fields
	checkRange(&fs, "during", s.During.Start, s.During.End)
	return fs.Err("DURING", "the time asked for cannot be used")
}

// Jobs lists jobs by start.
func (w *Workshop) Jobs(ctx context.Context, slug string, s Span) ([]site.Job, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Job, error) {
		return r.Jobs(ctx, store.JobFilter{
			Now: w.Now(), During: s.During, All: s.All, AfterStart: s.AfterStart, AfterID: s.AfterID, Limit: s.Limit,
		})
	})
}

// Booking reads a booking.
func (w *Workshop) Booking(ctx context.Context, slug string, id int64) (site.Booking, error) {
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) (site.Booking, error) {
		list, err := r.Bookings(ctx, store.BookingFilter{Now: w.Now(), ID: id, All: true})
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, "NOT_FOUND", "the site has no booking %d", id)
		}
		if err != nil {
			return site.Booking{}, err
		}
		return list[0], nil
	})
}

// Bookings lists bookings by start; of one resource if ref is set, of one job
// if job is not 0.
func (w *Workshop) Bookings(ctx context.Context, slug string, s Span, ref *Ref, job int64) ([]site.Booking, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	filter := store.BookingFilter{
		Now: w.Now(), During: s.During, Job: job, All: s.All, AfterStart: s.AfterStart, AfterID: s.AfterID, Limit: s.Limit,
	}
	if ref != nil {
		filter.Refs = []Ref{*ref}
	}
	return read(ctx, w, slug, func(ctx context.Context, r store.Reader) ([]site.Booking, error) { return r.Bookings(ctx, filter) })
}
