package cli

import (
	"encoding/json"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

// planFromFile reads a plan out of a kept answer: that of find (one of its
// options), that of check, or a plan by itself.
func (a *app) planFromFile(p *place, path string, option int) (*bayholdv1.Plan, error) {
	body, err := a.readFile(path)
	if err != nil {
		return nil, err
	}
	plan, err := readPlan(body, path, option)
	if err != nil {
		return nil, err
	}
	if !strings.HasPrefix(plan.GetBay(), p.site.GetName()+"/") {
		return nil, usage("the plan in %s is for bay %q, which is not one of %s", path, plan.GetBay(), p.site.GetName())
	}
	return plan, nil
}

// readPlan finds the plan in an answer.
func readPlan(body []byte, path string, option int) (*bayholdv1.Plan, error) {
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(body, &keys); err != nil {
		return nil, usage("%s is no JSON answer of job find or job check: %s", path, err)
	}
	has := func(key string) bool { return keys[key] != nil }
	switch {
	case has("options") || has("outcome"):
		var found bayholdv1.FindPlansResponse
		if err := readMessage(body, path, &found); err != nil {
			return nil, err
		}
		if option < 1 || option > len(found.GetOptions()) {
			return nil, usage("--option is %d, and %s holds %d", option, path, len(found.GetOptions()))
		}
		return found.GetOptions()[option-1].GetPlan(), nil
	case has("possible"):
		var checked bayholdv1.CheckJobResponse
		if err := readMessage(body, path, &checked); err != nil {
			return nil, err
		}
		if option != 1 {
			return nil, usage("--option is %d, and %s holds 1", option, path)
		}
		if !checked.GetPossible() {
			return nil, usage("%s holds a check that was refused; keep the answer of job find instead", path)
		}
		return checked.GetPlan(), nil
	case has("steps") || has("bookings"):
		var plan bayholdv1.Plan
		return &plan, readMessage(body, path, &plan)
	}
	return nil, usage("%s holds no plan; keep one with: bayhold job find ... --output json > %s", path, path)
}

// readMessage reads JSON into a message, and lets pass what a newer server
// says more.
func readMessage(body []byte, path string, m proto.Message) error {
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, m); err != nil {
		return usage("%s is not as job find wrote it: %s", path, err)
	}
	return nil
}
