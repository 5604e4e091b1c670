package torque

import "fmt"

// A torque is far from what a bolt bears if it is outside these shares of its
// assembly torque at 90 % of yield. Between friction of 0.08 and 0.16 that
// torque varies by some 40 %, and covers, plastics and light alloys are held
// by far less than a bolt could bear: only a slip of the pen lies outside.
const (
	farAbove = 1.5
	farBelow = 0.15
)

// Warning is a figure that looks wrong. It blocks nothing: an author who means
// it says so by its code.
type Warning struct {
	Stage int // index of the stage
	// Code names the doubt and the figure, "torque-high:1000", so that a
	// figure changed later draws a warning again.
	Code    string
	Message string
}

// Implausible compares the torques of a tightening with what such a bolt
// bears. Angles are not judged, nor is the torque before an angle ever too low:
// it only seats the joint. A friction of 0 means the usual one.
func Implausible(t Thread, c Class, friction float64, stages []Stage) []Warning {
	if friction == 0 {
		friction = UsualFriction
	}
	_, bears := Assembly(t, c, friction)
	var ws []Warning
	warn := func(i int, code string, word string) {
		ws = append(ws, Warning{
			Stage: i, Code: fmt.Sprintf("%s:%g", code, stages[i].Torque),
			Message: fmt.Sprintf("%s is far %s the %.3g N·m that a bolt %s of class %s bears at 90 %% of its yield (friction %g)",
				NewtonMetre.Format(stages[i].Torque), word, bears, t, c.Name, friction),
		})
	}
	for i, s := range stages {
		switch {
		case s.Torque > farAbove*bears:
			warn(i, "torque-high", "above")
		case i == len(stages)-1 && s.Torque > 0 && s.Torque < farBelow*bears:
			warn(i, "torque-low", "below")
		}
	}
	return ws
}
