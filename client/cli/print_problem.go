package cli

import (
	"encoding/json"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
)

// report tells an error on standard error and gives the exit code.
func (a *app) report(err error) int {
	p := a.advise(asProblem(err))
	if a.structured() {
		a.reportJSON(p)
	} else {
		a.reportText(p)
	}
	return exitCode(p.code)
}

// advise adds what can be tried next, by the kind of problem, and says in
// the client's words what the transport says in its own.
func (a *app) advise(p *problem) *problem {
	switch p.code {
	case codes.NotFound:
		for _, noun := range nounsOf(a.noun, a.verb) {
			p.try("%s", a.again(noun, "list"))
		}
	case codes.Unavailable:
		if !p.told {
			a.unreached(p)
		}
	case codes.DeadlineExceeded:
		if !p.told {
			p.message = fmt.Sprintf("the server at %s did not answer within %s", a.set.server, a.set.timeout)
		}
		p.try("allow more time: --timeout %.0fs", 4*a.set.timeout.Seconds())
	case codes.Canceled:
		p.message = "interrupted"
	case codes.Unauthenticated:
		p.try("give a token: --token TOKEN or BAYHOLD_TOKEN")
	case codes.PermissionDenied:
		p.try("use the token of somebody who may: --token TOKEN or BAYHOLD_TOKEN")
	}
	return p
}

// unreached says why a server cannot be reached, as far as the transport tells.
func (a *app) unreached(p *problem) {
	encrypted := a.set.tls || a.set.ca != "" || a.set.cert != ""
	_, distrust, found := strings.Cut(p.message, "failed to verify certificate: ")
	switch {
	case found:
		p.message = fmt.Sprintf("the server at %s is not to be trusted: %s", a.set.server, strings.Trim(distrust, `"`))
		p.try("name the workshop's own authority: --ca FILE or BAYHOLD_CA")
		p.try("name the server as its certificate does: --server HOST:PORT")
	case encrypted && strings.Contains(p.message, "does not look like a TLS handshake"):
		p.message = fmt.Sprintf("the server at %s does not encrypt", a.set.server)
		p.try("leave out --tls, --ca and --cert, if it is on this machine or the network is safe")
	case !encrypted && strings.Contains(p.message, "server preface"):
		p.message = fmt.Sprintf("the server at %s breaks off: it may want encryption", a.set.server)
		p.try("encrypt: --ca FILE with the workshop's own authority, or --tls")
	case a.set.cert != "" && !strings.Contains(p.message, "Error while dialing"):
		p.message = fmt.Sprintf("the server at %s breaks off: it may not take the client certificate %s", a.set.server, a.set.cert)
		p.try("show one that the server's --client-ca has signed and that has not ended, or a token")
	default:
		p.message = fmt.Sprintf("cannot reach the server at %s", a.set.server)
		p.try("start it: go run ./server serve (or go run ./server demo, with a workshop to try)")
		p.try("name another: --server HOST:PORT or BAYHOLD_SERVER")
	}
}

// nounsOf gives the nouns whose lists help where a name was not found.
func nounsOf(noun, verb string) []string {
	switch noun {
	case "job":
		if verb == "check" || verb == "find" || verb == "explain" || verb == "book" {
			return []string{"procedure", "bay"}
		}
		if verb == "arrange" {
			return []string{"procedure", noun}
		}
		return []string{noun}
	case "calibration":
		if verb == "close" {
			return []string{"tool"} // the command itself says where lines are found
		}
		return []string{noun}
	case "step", "my", "journal":
		return nil // said by the commands themselves
	case "week", "import":
		return []string{"site"}
	default:
		return []string{noun}
	}
}

// reportText tells a problem to a person.
func (a *app) reportText(p *problem) {
	var b strings.Builder
	writeText(&b, "bayhold: "+p.message, a.width())
	list := table{cols: []column{{}, {wrap: true}}, bare: true}
	for _, f := range p.fields {
		text := f.Message
		if f.Field != "" {
			text = f.Field + ": " + text
		}
		list.add("", text) // the empty column indents
	}
	writeTable(&b, list, a.width())
	if len(p.held) > 0 {
		b.WriteString("Booked before you:\n")
		writeTable(&b, a.heldTable(p.held), a.width())
	}
	if p.request != "" {
		fmt.Fprintf(&b, "request id: %s\n", p.request)
	}
	for i, t := range p.tries {
		lead := "Try: "
		if i > 0 {
			lead = "     "
		}
		fmt.Fprintf(&b, "%s%s\n", lead, t)
	}
	fmt.Fprint(a.streams.Err, plain(b.String()))
}

// problemJSON is a problem as scripts read it.
type problemJSON struct {
	Code      string            `json:"code"`
	ExitCode  int               `json:"exitCode"`
	Reason    string            `json:"reason"`
	Message   string            `json:"message"`
	Fields    []field           `json:"fields"`
	Held      []json.RawMessage `json:"held"`
	Try       []string          `json:"try"`
	RequestID string            `json:"requestId,omitempty"`
}

// reportJSON tells a problem to a program.
func (a *app) reportJSON(p *problem) {
	out := problemJSON{
		Code: codeName(p.code), ExitCode: exitCode(p.code), Reason: p.reason, Message: p.message,
		Fields: p.fields, Held: []json.RawMessage{}, Try: p.tries, RequestID: p.request,
	}
	if out.Fields == nil {
		out.Fields = []field{}
	}
	if out.Try == nil {
		out.Try = []string{}
	}
	for _, h := range p.held {
		if raw, err := protojson.Marshal(h); err == nil {
			out.Held = append(out.Held, raw)
		}
	}
	a.writeDocument(a.streams.Err, out)
}
