package rpc

import (
	"bytes"
	"context"
	"io"
	"time"

	"bayhold/internal/fault"
	"bayhold/internal/hours"
	"bayhold/internal/picture"
	"bayhold/internal/workshop"
	bayholdv1 "bayhold/proto/bayhold/v1"
)

// Boards lays out boards.
type Boards interface {
	// Text writes a board in lines; HTML as a page and SVG as a file that stand
	// by themselves.
	Text(w io.Writer, b workshop.Board, p picture.Print) error
	HTML(w io.Writer, b workshop.Board) error
	SVG(w io.Writer, b workshop.Board) error
	// Say puts what is not figures into words.
	Where(b workshop.Board, t workshop.BoardTool) (where, next string)
	Doing(b workshop.Board, p workshop.BoardPerson) string
	Notices(b workshop.Board, list []workshop.Notice) []string
	// Path is where a link leads to.
	Path(site string, l workshop.MadeLink) string
}

// Pictures draws answers, by the hours in which somebody is on shift.
type Pictures interface {
	Check(zone *time.Location, open []hours.Range, a workshop.CheckAnswer) picture.Drawing
	Find(zone *time.Location, open []hours.Range, a workshop.FindAnswer) picture.Drawing
	Repair(zone *time.Location, open []hours.Range, r workshop.Repair) picture.Drawing
	Use(u workshop.Use) picture.Drawing
}

// Columns of a picture in text.
const (
	usualColumns = 80
	mostColumns  = 400
)

// styleOf reads what picture is wanted; an unspecified format is as it stands.
func styleOf(s *bayholdv1.PictureStyle, page bool) (picture.Print, error) {
	var fs fault.Fields
	switch s.GetFormat() {
	case bayholdv1.PictureFormat_PICTURE_FORMAT_UNSPECIFIED, bayholdv1.PictureFormat_PICTURE_FORMAT_TEXT,
		bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII, bayholdv1.PictureFormat_PICTURE_FORMAT_SVG:
	case bayholdv1.PictureFormat_PICTURE_FORMAT_HTML:
		if !page {
			fs.Add("picture.format", "HTML is for boards only: ask for SVG")
		}
	default:
		fs.Add("picture.format", "is no format that this server draws")
	}
	out := picture.Print{Columns: int(s.GetColumns()), ASCII: s.GetFormat() == bayholdv1.PictureFormat_PICTURE_FORMAT_ASCII}
	switch {
	case out.Columns < 0:
		fs.Add("picture.columns", "must not be negative")
	case out.Columns == 0:
		out.Columns = usualColumns
	}
	out.Columns = min(out.Columns, mostColumns)
	return out, fs.Err("PICTURE", "the picture cannot be drawn")
}

const (
	svgKind  = "image/svg+xml"
	textKind = "text/plain; charset=utf-8"
	htmlKind = "text/html; charset=utf-8"
)

// sketch writes a drawing as it is wanted.
func sketch(d picture.Drawing, s *bayholdv1.PictureStyle) (*bayholdv1.Picture, error) {
	p, err := styleOf(s, false)
	if err != nil {
		return nil, err
	}
	if s.GetFormat() == bayholdv1.PictureFormat_PICTURE_FORMAT_SVG {
		content, err := d.File(picture.Explaining())
		return &bayholdv1.Picture{Content: content, ContentType: svgKind}, err
	}
	return &bayholdv1.Picture{Content: d.Text(p), ContentType: textKind}, nil
}

// wanted tells whether a picture is asked for.
func wanted(s *bayholdv1.PictureStyle) bool {
	return s.GetFormat() != bayholdv1.PictureFormat_PICTURE_FORMAT_UNSPECIFIED
}

// drawAround draws an answer that begins at an instant, if that is wanted.
func drawAround(ctx context.Context, shop *workshop.Workshop, siteID string, s *bayholdv1.PictureStyle, from time.Time,
	draw func(*time.Location, []hours.Range) picture.Drawing,
) (*bayholdv1.Picture, error) {
	if !wanted(s) {
		return nil, nil
	}
	if from.IsZero() {
		from = shop.Now()
	}
	zone, open, err := shop.OpenHours(ctx, siteID, from)
	if err != nil {
		return nil, err
	}
	return sketch(draw(zone, open), s)
}

// drawBoard writes a board as it is wanted.
func drawBoard(boards Boards, b workshop.Board, s *bayholdv1.PictureStyle) (*bayholdv1.Picture, error) {
	p, err := styleOf(s, true)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	switch s.GetFormat() {
	case bayholdv1.PictureFormat_PICTURE_FORMAT_SVG:
		err = boards.SVG(&out, b)
		return &bayholdv1.Picture{Content: out.String(), ContentType: svgKind}, err
	case bayholdv1.PictureFormat_PICTURE_FORMAT_HTML:
		err = boards.HTML(&out, b)
		return &bayholdv1.Picture{Content: out.String(), ContentType: htmlKind}, err
	}
	err = boards.Text(&out, b, p)
	return &bayholdv1.Picture{Content: out.String(), ContentType: textKind}, err
}
