package procedure

import (
	"fmt"
	"strconv"
	"strings"

	"bayhold/internal/torque"
)

// fields gives the procedure's own content in words, for comparison.
func (p Procedure) fields() []field {
	return []field{
		{"title", p.Title},
		{"family", p.Family},
		{"needs", strings.Join(p.Needs, ", ")},
		{"bay_features", strings.Join(p.BayFeatures, ", ")},
	}
}

// fields gives the step's content in words, for comparison.
func (s Step) fields() []field {
	return []field{
		{"title", s.Title},
		{"instruction", s.Instruction},
		{"estimate", s.Estimate.String()},
		{"mode", strings.ToLower(string(s.Mode))},
		{"unbroken", yes(s.Unbroken)},
		{"joined_to_next", yes(s.JoinedToNext)},
		{"wait_after", minutes(s.WaitAfter)},
		{"crew", each(s.Crew, Crew.String)},
		{"tools", each(s.Tools, ToolNeed.String)},
		{"parts", each(s.Parts, Part.String)},
		{"torque", s.Torque.String()},
		{"checks", each(s.Checks, Check.String)},
		{"hold_point", yes(s.HoldPoint)},
		{"turns_engine", yes(s.TurnsEngine)},
		{"cautions", each(s.Cautions, Caution.String)},
		{"after", strings.Join(s.After, ", ")},
		{"before", strings.Join(s.Before, ", ")},
		{"anytime", yes(s.Anytime)},
		{"only_before", strings.Join(s.OnlyBefore, ", ")},
		{"only_after", strings.Join(s.OnlyAfter, ", ")},
	}
}

func each[T any](list []T, word func(T) string) string {
	words := make([]string, len(list))
	for i, x := range list {
		words[i] = word(x)
	}
	return strings.Join(words, "; ")
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func minutes(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n) + " min"
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// String is the estimate in words: "10 to 20, likely 15 min".
func (e Estimate) String() string {
	if e.Low == e.High {
		return fmt.Sprintf("%d min", e.Likely)
	}
	return fmt.Sprintf("%d to %d, likely %d min", e.Low, e.High, e.Likely)
}

// String is the crew in words: "2 with engine, lifting".
func (c Crew) String() string {
	if len(c.Skills) == 0 {
		return strconv.Itoa(c.People)
	}
	return fmt.Sprintf("%d with %s", c.People, strings.Join(c.Skills, ", "))
}

// String is the need in words: "TORQUE 100 N·m to 500 N·m until s3".
func (n ToolNeed) String() string {
	words := make([]string, 0, 5)
	if n.Type != "" {
		words = append(words, n.Type)
	}
	if n.Purpose != "" {
		words = append(words, n.Purpose)
	}
	if n.Torque > 0 {
		words = append(words, n.span())
	}
	if n.Until != "" {
		words = append(words, "until "+n.Until)
	}
	return strings.Join(words, " ")
}

// span is the range of torque asked for, in words.
func (n ToolNeed) span() string {
	if n.TorqueLow == 0 || n.TorqueLow == n.Torque {
		return torque.NewtonMetre.Format(n.Torque)
	}
	return torque.NewtonMetre.Format(n.TorqueLow) + " to " + torque.NewtonMetre.Format(n.Torque)
}

// String is the part in words: "4 × pulley-bolt (Pulley bolt), single-use".
func (p Part) String() string {
	use := "if worn"
	if p.SingleUse {
		use = "single-use"
	}
	return fmt.Sprintf("%d × %s (%s), %s", p.Quantity, p.ID, p.Title, use)
}

// String is the tightening in words; empty for none.
func (t *Torque) String() string {
	if t == nil {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d fasteners", t.Fasteners)
	for _, w := range []string{t.Thread, t.Class} {
		if w != "" {
			b.WriteString(" " + w)
		}
	}
	if t.SingleUse {
		b.WriteString(", single-use")
	}
	b.WriteString(": " + torque.Format(t.Stages, torque.NewtonMetre))
	if t.Peak > 0 {
		b.WriteString(", peak " + torque.NewtonMetre.Format(t.Peak))
	}
	if t.Tolerance > 0 {
		b.WriteString(", ± " + number(100*t.Tolerance) + " %")
	}
	if t.Drive != "" {
		b.WriteString(", drive " + t.Drive)
	}
	if a := t.Adapter; a != nil {
		fmt.Fprintf(&b, ", adapter of %s mm at %s°", number(a.Extension), number(a.Angle))
	}
	if t.Friction > 0 {
		b.WriteString(", friction " + number(t.Friction))
	}
	if t.Sequence != "" {
		b.WriteString(", " + t.Sequence)
	}
	if len(t.Accepted) > 0 {
		b.WriteString(", accepted " + strings.Join(t.Accepted, " "))
	}
	return b.String()
}

// String is the check in words: "gap (Valve gap): 0.2 to 0.3 mm".
func (c Check) String() string {
	s := fmt.Sprintf("%s (%s)", c.ID, c.Title)
	switch {
	case c.Min != nil && c.Max != nil:
		return fmt.Sprintf("%s: %s to %s %s", s, number(*c.Min), number(*c.Max), c.Unit)
	case c.Min != nil:
		return fmt.Sprintf("%s: at least %s %s", s, number(*c.Min), c.Unit)
	case c.Max != nil:
		return fmt.Sprintf("%s: at most %s %s", s, number(*c.Max), c.Unit)
	case c.Unit != "":
		return s + ": in " + c.Unit
	}
	return s
}

// String is the caution in words: "WARNING HOT: let it cool".
func (c Caution) String() string {
	if c.Code == "" {
		return fmt.Sprintf("%s: %s", c.Signal, c.Text)
	}
	return fmt.Sprintf("%s %s: %s", c.Signal, c.Code, c.Text)
}
