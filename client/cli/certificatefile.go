package cli

import (
	"bytes"
	"errors"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// certificateFile is a certificate as a person writes it.
type certificateFile struct {
	Tool        string       `yaml:"tool"`
	Number      string       `yaml:"number"`
	Laboratory  string       `yaml:"laboratory"`
	Date        string       `yaml:"date"`
	Rule        string       `yaml:"rule"`
	Temperature string       `yaml:"temperature"`
	Humidity    string       `yaml:"humidity"`
	Uncertainty string       `yaml:"uncertainty"`
	K           string       `yaml:"k"`
	Unit        string       `yaml:"unit"` // of the readings; newton metres, or nothing
	Points      []pointEntry `yaml:"points"`

	path  string // of a CSV file, and the line of each point
	lines []int
}

// pointEntry is one of its points, in newton metres.
type pointEntry struct {
	Torque      float64   `yaml:"torque"`
	Direction   string    `yaml:"direction"`
	Found       []float64 `yaml:"found"`
	Left        []float64 `yaml:"left"`
	Uncertainty string    `yaml:"uncertainty"`
}

// readCertificate reads a certificate from a file, or standard input for "-".
func (a *app) readCertificate(path string) (certificateFile, error) {
	var f certificateFile
	body, err := a.readFile(path)
	if err != nil {
		return f, err
	}
	if strings.EqualFold(filepath.Ext(path), ".csv") {
		return readCertificateCSV(path, body)
	}
	dec := yaml.NewDecoder(bytes.NewReader(body))
	dec.KnownFields(true) // a misspelt key must not be lost in silence
	if err := dec.Decode(&f); err != nil && !errors.Is(err, io.EOF) {
		return f, usage("%s: %s", path, yamlMessage(err))
	}
	if f.Tool == "" {
		return f, usage("%s: tool is missing: write the asset tag of the tool", path)
	}
	return f, nil
}

// message makes what is sent.
func (f certificateFile) message() (*bayholdv1.Certificate, error) {
	rule, ok := bayholdv1.DecisionRule_value["DECISION_RULE_"+strings.ToUpper(strings.ReplaceAll(f.Rule, "-", "_"))]
	if !ok || rule == 0 {
		return nil, usage("rule is %q; it can be simple-acceptance, guard-band or four-way", f.Rule)
	}
	out := &bayholdv1.Certificate{Number: f.Number, Laboratory: f.Laboratory, Date: f.Date, Rule: bayholdv1.DecisionRule(rule)}
	if f.Temperature != "" {
		t, err := figure("temperature", f.Temperature)
		if err != nil {
			return nil, err
		}
		out.TemperatureC = &t
	}
	if f.Humidity != "" {
		h, _, err := share("humidity", f.Humidity)
		if err != nil {
			return nil, err
		}
		out.Humidity = &h
	}
	if err := newtonMetres(f.Unit); err != nil {
		return nil, err
	}
	for i, entry := range f.Points {
		point, err := entry.message(f.Uncertainty, f.K)
		if err != nil {
			return nil, &pointError{i, err}
		}
		out.Points = append(out.Points, point)
	}
	return out, nil
}

// message makes what is sent of a point; the uncertainty is that of the
// certificate, unless the point has its own.
func (e pointEntry) message(uncertainty, k string) (*bayholdv1.CalibrationPoint, error) {
	out := &bayholdv1.CalibrationPoint{NominalNm: e.Torque, AsFoundNm: e.Found, AsLeftNm: e.Left}
	switch strings.ToLower(e.Direction) {
	case "", "cw", "clockwise":
		out.Direction = bayholdv1.TurningDirection_TURNING_DIRECTION_CLOCKWISE
	case "ccw", "counterclockwise":
		out.Direction = bayholdv1.TurningDirection_TURNING_DIRECTION_COUNTERCLOCKWISE
	default:
		return nil, usage("direction is %q; it can be clockwise or counterclockwise", e.Direction)
	}
	text := first(e.Uncertainty, uncertainty)
	if text == "" {
		return out, nil
	}
	amount, relative, err := share("uncertainty", strings.TrimSuffix(text, "Nm"))
	if err != nil {
		return nil, err
	}
	factor, err := figure("k", first(k, "2"))
	out.Uncertainty = &bayholdv1.ExpandedUncertainty{Amount: amount, Relative: relative, CoverageFactor: factor}
	return out, err
}

// readPoint reads "100 ccw: 104.5 104 > 100.1 100".
func readPoint(text string) (pointEntry, error) {
	var out pointEntry
	head, readings, ok := strings.Cut(text, ":")
	words := strings.Fields(head)
	if !ok || len(words) == 0 || len(words) > 2 {
		return out, usage("%q is no point; write TORQUE: READINGS", text).try(`--point "100: 99.6 100.2"`)
	}
	var err error
	if out.Torque, err = figure("--point", words[0]); err != nil {
		return out, err
	}
	if len(words) == 2 {
		out.Direction = words[1]
	}
	found, left, _ := strings.Cut(readings, ">")
	if out.Found, err = figures(found); err != nil {
		return out, err
	}
	out.Left, err = figures(left)
	return out, err
}

func figures(text string) ([]float64, error) {
	var out []float64
	for word := range strings.FieldsSeq(text) {
		x, err := figure("--point", word)
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}

// figure reads a number.
func figure(what, text string) (float64, error) {
	x, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil {
		return 0, usage("%s: %q is no number", what, text)
	}
	return x, nil
}

// share reads a number, or a percentage as a fraction.
func share(what, text string) (x float64, relative bool, err error) {
	bare, relative := strings.CutSuffix(strings.TrimSpace(text), "%")
	x, err = figure(what, bare)
	if relative {
		x /= 100
	}
	return x, relative, err
}
