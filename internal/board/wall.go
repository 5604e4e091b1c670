package board

import (
	"embed"
	"html/template"
	"io"

	"bayhold/internal/picture"
	"bayhold/internal/workshop"
)

// Boards lays out boards: the week as a page, as a picture and as text.
type Boards struct{}

//go:embed wall.html wall.css wall.js
var walls embed.FS

// wallPage lays out the board. What people typed is escaped by the template
// where it stands.
var wallPage = template.Must(template.New("wall.html").Funcs(template.FuncMap{
	"notices": func(title, none string, list []notice) notices { return notices{title, none, list} },
}).ParseFS(walls, "wall.html"))

// notices is a list with its heading, and what is said when it is empty.
type notices struct {
	Title, None string
	List        []notice
}

// wall is a board as its page shows it.
type wall struct {
	Workshop, Title, Zone, AsOf string
	Revision                    int64
	Late, Wait                  []notice
	Wide, Near                  template.HTML
	Bays                        []wallBay
	Tools                       []wallTool
	People                      []wallPerson
	Empty                       bool // the site has nothing yet

	Before, After string       // days of the weeks beside it; of a live page
	Live          bool         // the page follows the log by itself
	Release       string       // of styles and script
	Style         template.CSS // of a page that stands by itself
}

// wallStay is a booking in words.
type wallStay struct {
	ID, Job, What, When, State, Promised, Who, Where string
	Remarks                                          []string
}

type wallBay struct {
	ID, Name string
	Closed   []string
	Stays    []wallStay
}

type wallTool struct {
	Tag, Name, Where, Next, Why string
	Scarce                      bool
	Stays                       []wallStay
}

type wallPerson struct {
	Name, On string
	Away     []string
	Stays    []wallStay
}

// Sizes of the drawing at 1440 units: on a screen of 1920 pixels it stands
// beside the lists at that width, and its references are drawn to be read from
// four metres.
const (
	wideWidth, wideNames, wideType, wideSmall = 1440, 250, 36, 15
	nearWidth, nearType, nearSmall            = 390, 22, 12
)

// wideFrame makes rows as high as lets the week stand on a screen of 1080 lines,
// within what can be read.
func wideFrame(w week) picture.Frame {
	const room, besides = 955, 225 // without the head; days, titles and legend
	const tallOverThin, tallGap, thinGap = 3.4, 8, 4
	tall, thin := float64(len(w.Bays)), float64(len(w.Tools)+len(w.People))
	unit := (room - besides - tall*tallGap - thin*thinGap) / max(tall*tallOverThin+thin, 1)
	return picture.Frame{
		Width: wideWidth, Names: wideNames, Type: wideType, Small: wideSmall, Prefix: "wide-", Links: true,
		Tall: min(max(unit*tallOverThin, 62), 96), Thin: min(max(unit, 20), 27),
	}
}

func nearFrame() picture.Frame {
	return picture.Frame{Width: nearWidth, Above: true, Type: nearType, Small: nearSmall, Tall: 58, Thin: 24, Prefix: "near-", Links: true}
}

func newWall(b workshop.Board) (wall, error) {
	w := newWeek(b)
	out := wall{
		Workshop: clean(w.Site.Name), Title: w.title(), Zone: w.zone.String(), AsOf: w.full(w.Now), Revision: w.Site.Revision,
		Late: w.lines(w.Late), Wait: w.lines(w.Wait), Empty: len(w.Bays)+len(w.Tools)+len(w.People) == 0,
	}
	var err error
	if out.Wide, err = w.chart(w.axis()).SVG(wideFrame(w)); err != nil {
		return out, err
	}
	if out.Near, err = w.chart(w.nearAxis()).SVG(nearFrame()); err != nil {
		return out, err
	}
	w.tables(&out)
	return out, nil
}

func (w week) tables(out *wall) {
	for _, b := range w.Bays {
		bay := wallBay{ID: b.ID, Name: clean(b.Name)}
		for _, c := range b.Closures {
			if c.During.Overlaps(w.During) {
				bay.Closed = append(bay.Closed, w.away(c))
			}
		}
		for _, s := range b.Stays {
			st := w.inWords(s.Stay)
			st.Who = listed(s.People)
			bay.Stays = append(bay.Stays, st)
		}
		out.Bays = append(out.Bays, bay)
	}
	for _, t := range w.Tools {
		tool := wallTool{Tag: clean(t.Tag), Name: clean(t.Name), Where: w.where(t), Next: w.goes(t), Scarce: t.Scarce, Why: clean(t.Why)}
		for _, s := range t.Stays {
			tool.Stays = append(tool.Stays, w.inWords(s))
		}
		out.Tools = append(out.Tools, tool)
	}
	for _, p := range w.People {
		person := wallPerson{Name: w.person(p.ID), On: w.on(p)}
		for _, a := range p.Absences {
			if a.During.Overlaps(w.During) {
				person.Away = append(person.Away, w.away(a))
			}
		}
		for _, s := range p.Stays {
			person.Stays = append(person.Stays, w.inWords(s))
		}
		out.People = append(out.People, person)
	}
}

func (w week) inWords(s workshop.Stay) wallStay {
	j := w.Jobs[s.Job]
	out := wallStay{
		ID: anchor(s), Job: w.reference(s.Job), What: clean(j.Title), When: w.shortSpan(s.During),
		Promised: w.promised(j), Where: j.Bay, Remarks: w.remarks(s),
	}
	if j.ID != 0 {
		out.State = w.standing(j)
	}
	return out
}

// HTML writes a board as a page that stands by itself: no script, no request.
func (Boards) HTML(out io.Writer, b workshop.Board) error {
	page, err := newWall(b)
	if err != nil {
		return err
	}
	page.Style = template.CSS(styles()) // #nosec G203 -- our own, nothing typed is in it
	return wallPage.ExecuteTemplate(out, "wall.html", page)
}

// SVG writes the week's picture as a file that stands by itself.
func (Boards) SVG(out io.Writer, b workshop.Board) error {
	w := newWeek(b)
	frame := wideFrame(w)
	frame.Heading = true
	text, err := w.chart(w.axis()).File(frame)
	if err == nil {
		_, err = io.WriteString(out, text)
	}
	return err
}

// styles is all the CSS of a board.
func styles() string { return picture.Variables() + picture.Style() + asset("wall.css") }

func asset(name string) string {
	text, err := walls.ReadFile(name)
	if err != nil {
		panic(err) // it is embedded
	}
	return string(text)
}

// Where says where a tool is, and where it goes next.
func (Boards) Where(b workshop.Board, t workshop.BoardTool) (where, next string) {
	w := newWeek(b)
	return w.where(t), w.goes(t)
}

// Doing says what somebody is on now.
func (Boards) Doing(b workshop.Board, p workshop.BoardPerson) string { return newWeek(b).on(p) }

// Notices says each notice in a sentence.
func (Boards) Notices(b workshop.Board, list []workshop.Notice) []string {
	out := make([]string, 0, len(list))
	for _, l := range newWeek(b).lines(list) {
		out = append(out, l.Text)
	}
	return out
}

// Path is where a link leads to.
func (Boards) Path(site string, l workshop.MadeLink) string { return Path(site, l) }
