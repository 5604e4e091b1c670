package rpc

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/site"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

type technicianService struct {
	bayholdv1.UnimplementedTechnicianServiceServer
	shop *workshop.Workshop
}

func (s technicianService) GetTechnician(ctx context.Context, req *bayholdv1.GetTechnicianRequest) (*bayholdv1.GetTechnicianResponse, error) {
	siteID, id, err := parse("name", req.GetName(), technicians)
	if err != nil {
		return nil, err
	}
	t, err := s.shop.Technician(ctx, siteID, id)
	return &bayholdv1.GetTechnicianResponse{Technician: writeTechnician(siteID, t)}, err
}

func (s technicianService) ListTechnicians(ctx context.Context, req *bayholdv1.ListTechniciansRequest) (*bayholdv1.ListTechniciansResponse, error) {
	list, next, err := pageOf(ctx, req.GetParent(), req, s.shop.Technicians, func(t site.Technician) string { return t.ID }, writeTechnician)
	return &bayholdv1.ListTechniciansResponse{Technicians: list, NextPageToken: next}, err
}

func (s technicianService) UpdateTechnician(ctx context.Context, req *bayholdv1.UpdateTechnicianRequest) (*bayholdv1.UpdateTechnicianResponse, error) {
	asked := req.GetTechnician()
	siteID, id, err := parse("technician.name", asked.GetName(), technicians)
	if err != nil {
		return nil, err
	}
	mask, err := masked(req.GetUpdateMask(), "display_name", "skills", "shifts", "shift_exceptions", "absences")
	if err != nil {
		return nil, err
	}
	var fs fault.Fields
	week := readShifts(&fs, asked.GetShifts())
	exceptions := readExceptions(&fs, asked.GetShiftExceptions())
	absences := readClosures(&fs, "technician.absences", asked.GetAbsences())
	if err := fs.Err("TECHNICIAN", "the technician cannot be read"); err != nil {
		return nil, err
	}
	act, err := actOf(ctx, siteID, req)
	if err != nil {
		return nil, err
	}
	t, err := s.shop.EditTechnician(ctx, act, id, func(t *site.Technician) {
		if mask["display_name"] {
			t.Name = asked.GetDisplayName()
		}
		if mask["skills"] {
			t.Skills = append([]string(nil), asked.GetSkills()...)
		}
		if mask["shifts"] {
			t.Shifts.Week = week
		}
		if mask["shift_exceptions"] {
			t.Shifts.Exceptions = exceptions
		}
		if mask["absences"] {
			t.Absences = absences
		}
	})
	return &bayholdv1.UpdateTechnicianResponse{Technician: writeTechnician(siteID, t)}, err
}

// isoDays are the days of a week as ISO 8601 counts them, Monday first; their
// number in the contract is one more than their index here.
var isoDays = [7]time.Weekday{
	time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday, time.Sunday,
}

func readShifts(fs *fault.Fields, list []*bayholdv1.Shift) [7][]hours.Stretch {
	var week [7][]hours.Stretch
	for i, shift := range list {
		n := int(shift.GetWeekday()) - 1
		if n < 0 || n >= len(isoDays) {
			fs.Add(fmt.Sprintf("technician.shifts[%d].weekday", i), "must be Monday to Sunday")
			continue
		}
		day := isoDays[n]
		week[day] = append(week[day], readStretches(shift.GetStretches())...)
	}
	return week
}

func readExceptions(fs *fault.Fields, list []*bayholdv1.ShiftException) map[hours.Date][]hours.Stretch {
	out := make(map[hours.Date][]hours.Stretch, len(list))
	for i, e := range list {
		date, err := hours.ParseDate(e.GetDate())
		if err != nil {
			fs.Add(fmt.Sprintf("technician.shift_exceptions[%d].date", i), "%q is no date such as 2026-12-24", shorten(e.GetDate()))
			continue
		}
		out[date] = readStretches(e.GetStretches())
	}
	return out
}

func readStretches(list []*bayholdv1.Stretch) []hours.Stretch {
	out := make([]hours.Stretch, 0, len(list))
	for _, s := range list {
		out = append(out, hours.Stretch{Start: int(s.GetStartMinute()), End: int(s.GetEndMinute())})
	}
	return out
}

func writeTechnician(siteID string, t site.Technician) *bayholdv1.Technician {
	out := &bayholdv1.Technician{
		Name: nameOf(siteID, technicians, t.ID), DisplayName: t.Name,
		Skills: t.Skills, Absences: writeClosures(t.Absences),
	}
	for n, day := range isoDays {
		if stretches := t.Shifts.Week[day]; len(stretches) > 0 {
			out.Shifts = append(out.Shifts, &bayholdv1.Shift{
				Weekday: bayholdv1.Weekday(n + 1), Stretches: writeStretches(stretches),
			})
		}
	}
	for date, stretches := range t.Shifts.Exceptions {
		out.ShiftExceptions = append(out.ShiftExceptions, &bayholdv1.ShiftException{
			Date: date.String(), Stretches: writeStretches(stretches),
		})
	}
	slices.SortFunc(out.ShiftExceptions, func(a, b *bayholdv1.ShiftException) int { return cmp.Compare(a.Date, b.Date) })
	return out
}

func writeStretches(list []hours.Stretch) []*bayholdv1.Stretch {
	out := make([]*bayholdv1.Stretch, 0, len(list))
	for _, s := range list {
		out = append(out, &bayholdv1.Stretch{StartMinute: int32(s.Start), EndMinute: int32(s.End)})
	}
	return out
}
