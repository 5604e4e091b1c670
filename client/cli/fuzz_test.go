package cli

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
)

// FuzzCertificateFile holds that a certificate file, YAML or CSV, is refused or
// makes a message that travels.
func FuzzCertificateFile(f *testing.F) {
	f.Add("tool: TW-03\nnumber: HM-4711\nrule: guard-band\nuncertainty: 1%\npoints:\n  - {torque: 40, found: [39, 39.2], left: [40]}\n", "c.yaml")
	f.Add("tool: TW-03\nrule: four-way\nhumidity: .nan\npoints: [{torque: .inf, direction: ccw}]\n", "c.yaml")
	f.Add("&a [*a]", "c.yaml")
	f.Add("tool,TW-03\nnumber,HM-4711\nrule,guard-band\nuncertainty,1%\n\ntorque,direction,found,left\n40,cw,39 39.2,40\n", "c.csv")
	f.Add("\xef\xbb\xbftorque;found\n\"40\n", "c.csv")
	f.Fuzz(func(t *testing.T, text, name string) {
		if len(text) > 1<<16 {
			return
		}
		ext := ".yaml"
		if strings.HasSuffix(name, ".csv") {
			ext = ".csv"
		}
		a := &app{streams: Streams{In: strings.NewReader(text)}}
		path := "-"
		var file certificateFile
		var err error
		if ext == ".csv" {
			file, err = readCertificateCSV("c.csv", []byte(text))
		} else {
			file, err = a.readCertificate(path)
		}
		if err != nil {
			if asProblem(err).message == "" {
				t.Error("it is refused without a word")
			}
			return
		}
		if m, err := file.message(); err == nil {
			if _, err := proto.Marshal(m); err != nil && !strings.Contains(err.Error(), "UTF-8") {
				t.Error(err)
			}
		}
	})
}

// FuzzPoint holds that a point of a certificate is refused or was written with
// figures; whether they make sense is for the server to say.
func FuzzPoint(f *testing.F) {
	for _, s := range []string{"40: 39 39.2 > 40 40.1", "200 ccw: 190 191 > 199 200", ":", "1e999: 1", "40: > ", "NaN cw: -0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, err := readPoint(text)
		if figures := len(p.Found) + len(p.Left); err == nil && figures > len(strings.Fields(strings.NewReplacer(":", " ", ">", " ").Replace(text))) {
			t.Errorf("%q has %d readings: %+v", text, figures, p)
		}
	})
}

// FuzzLength holds that a length of time is refused or can be added to any time.
func FuzzLength(f *testing.F) {
	for _, s := range []string{"90m", "4h", "2d", "1w", "1d12h", "99999w99999d99999h99999m", "", "-1d", "1.5h", "٣d"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l, err := readLength(text)
		if err != nil {
			return
		}
		if l.days < 0 || l.minutes < 0 {
			t.Errorf("%q is %+v", text, l)
		}
		c := testClock()
		if at, err := c.after(c.now, l); err == nil && at.Before(c.now) {
			t.Errorf("%q later is %v, which is sooner", text, at)
		}
	})
}

// FuzzCheckpointWord holds that what is read as a checkpoint has a whole seal.
func FuzzCheckpointWord(f *testing.F) {
	for _, s := range []string{"700:" + strings.Repeat("07", 32), "0:", "-1:" + strings.Repeat("0", 64), ":", "9223372036854775808:" + strings.Repeat("f", 64)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, ok := parseCheckpoint(text)
		if ok && (len(c.GetSeal()) != 32 || c.GetRevision() < 0) {
			t.Errorf("%q is %v", text, c)
		}
	})
}
