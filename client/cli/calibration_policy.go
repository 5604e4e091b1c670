package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"

	bayholdv1 "bayhold/proto/bayhold/v1"
)

func (a *app) calibrationPolicyCommand() *cobra.Command {
	show := a.command(verb{
		use: "show", short: "Show by what calibration is judged",
		long: `Show the calibration policy of the site as YAML: the class table with its
permissible deviations, how long a calibration lasts, the rule by which an
intermediate check counts, what an interval review may propose, and how near a
tightening must come where its step states no tolerance (joint). Shares and
deviations are fractions: 0.04 is 4 %. What is shown can be changed in a file
and given back: bayhold calibration policy set FILE.`,
		example: "  bayhold calibration policy show\n  bayhold calibration policy show > policy.yaml",
		args:    cobra.NoArgs,
		run: func(ctx context.Context, _ []string) error {
			p, err := a.at(ctx)
			if err != nil {
				return err
			}
			resp, err := p.Intervals.GetCalibrationPolicy(ctx, &bayholdv1.GetCalibrationPolicyRequest{Parent: p.site.GetName()})
			if err != nil {
				return err
			}
			text, err := policyYAML(resp.GetPolicy())
			if err != nil {
				return err
			}
			return a.answer(resp, func(w io.Writer) {
				if resp.GetTime() == nil {
					fmt.Fprintln(w, "# Nobody has decided on a policy: this one is the program's own.")
				} else {
					fmt.Fprintf(w, "# Decided by %s, %s.\n", resp.GetPerson(), p.clock.full(resp.GetTime().AsTime()))
				}
				_, _ = io.WriteString(w, text)
			})
		},
	})
	set := a.command(verb{
		use: "set (FILE | KEY=VALUE ...)", short: "Change by what calibration is judged",
		long: `Change the calibration policy, from a file as "bayhold calibration policy show"
writes it, or single figures of it by their place: review.target=0.9. The
answer lists the tools that fall due at another time. A change holds from now
on; a calibration that has ended stays ended.`,
		example: `  bayhold calibration policy show > policy.yaml
  bayhold calibration policy set policy.yaml
  bayhold calibration policy set due.months=6 review.target="90 %"
  bayhold calibration policy set joint.torque="3 %" joint.angle_deg=4`,
		args: cobra.MinimumNArgs(1),
		run:  a.setPolicy,
	})
	a.requestIDFlag(set)
	return a.group("policy", "By what calibration is judged", "  bayhold calibration policy show", show, set)
}

func (a *app) setPolicy(ctx context.Context, args []string) error {
	p, err := a.at(ctx)
	if err != nil {
		return err
	}
	resp, err := act(ctx, a, bayholdv1.IntervalService_SetCalibrationPolicy_FullMethodName, &bayholdv1.SetCalibrationPolicyRequest{},
		func(requestID string) (*bayholdv1.SetCalibrationPolicyRequest, error) {
			now, err := p.Intervals.GetCalibrationPolicy(ctx, &bayholdv1.GetCalibrationPolicyRequest{Parent: p.site.GetName()})
			if err != nil {
				return nil, err
			}
			policy, err := a.changedPolicy(now.GetPolicy(), args)
			return &bayholdv1.SetCalibrationPolicyRequest{
				Parent: p.site.GetName(), Policy: policy, PreviousTime: now.GetTime(), RequestId: requestID,
			}, err
		}, p.Intervals.SetCalibrationPolicy)
	if err != nil {
		return err
	}
	return a.answer(resp, func(w io.Writer) {
		fmt.Fprintln(w, "The policy is changed.")
		if len(resp.GetChanged()) == 0 {
			fmt.Fprintln(w, "No tool falls due at another time by it.")
			return
		}
		fmt.Fprintln(w, "\nTools that fall due at another time:")
		writeTable(w, dueTable(p.clock, resp.GetChanged()), a.width())
	})
}

// changedPolicy is the policy of a file, or the one that holds with figures
// changed.
func (a *app) changedPolicy(now *bayholdv1.CalibrationPolicy, args []string) (*bayholdv1.CalibrationPolicy, error) {
	if !strings.Contains(args[0], "=") {
		if len(args) > 1 {
			return nil, usage("one FILE is taken, or figures such as due.months=6")
		}
		body, err := a.readFile(args[0])
		if err != nil {
			return nil, err
		}
		return readPolicyYAML(args[0], body)
	}
	text, err := policyYAML(now)
	if err != nil {
		return nil, err
	}
	var tree map[string]any
	if err := yaml.Unmarshal([]byte(text), &tree); err != nil {
		return nil, err
	}
	for _, arg := range args {
		key, value, ok := strings.Cut(arg, "=")
		if !ok {
			return nil, usage("%q changes nothing; write KEY=VALUE, such as due.months=6", arg)
		}
		if err := setFigure(tree, key, value); err != nil {
			return nil, err
		}
	}
	body, err := yaml.Marshal(tree)
	if err != nil {
		return nil, err
	}
	return readPolicyYAML("the command line", body)
}

// setFigure changes one figure of a policy.
func setFigure(tree map[string]any, key, value string) error {
	path := strings.Split(key, ".")
	for _, part := range path[:len(path)-1] {
		next, ok := tree[part].(map[string]any)
		if !ok {
			return unknownFigure(key)
		}
		tree = next
	}
	last := path[len(path)-1]
	was, ok := tree[last]
	if !ok {
		return unknownFigure(key)
	}
	switch was.(type) {
	case bool:
		if value != "true" && value != "false" {
			return usage("%s is true or false, not %q", key, value)
		}
		tree[last] = value == "true"
	case string:
		tree[last] = value
	case []any, map[string]any:
		return usage("%s is a list: change it in a file", key).try("bayhold calibration policy show > policy.yaml")
	default:
		x, _, err := share(key, value)
		if err != nil {
			return err
		}
		tree[last] = x
	}
	return nil
}

func unknownFigure(key string) error {
	return usage("%q is no figure of the policy", key).try("bayhold calibration policy show")
}

// policyYAML writes a policy as people change it.
func policyYAML(p *bayholdv1.CalibrationPolicy) (string, error) {
	raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(p)
	if err != nil {
		return "", err
	}
	var doc yaml.Node // JSON is YAML, and a node keeps its order
	if err := yaml.Unmarshal(raw, &doc); err != nil {
		return "", err
	}
	blocks(&doc)
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	err = errors.Join(enc.Encode(&doc), enc.Close())
	return out.String(), err
}

// blocks lets a node be written in blocks.
func blocks(n *yaml.Node) {
	n.Style = 0
	for _, c := range n.Content {
		blocks(c)
	}
}

// readPolicyYAML reads a policy. A key that is not known is told.
func readPolicyYAML(path string, body []byte) (*bayholdv1.CalibrationPolicy, error) {
	var tree map[string]any
	if err := yaml.Unmarshal(body, &tree); err != nil {
		return nil, usage("%s: %s", path, yamlMessage(err))
	}
	raw, err := json.Marshal(tree)
	if err != nil {
		return nil, usage("%s: %s", path, err)
	}
	out := &bayholdv1.CalibrationPolicy{}
	if err := protojson.Unmarshal(raw, out); err != nil {
		_, what, _ := strings.Cut(err.Error(), ": ")
		return nil, usage("%s is no calibration policy: %s", path, what).try("bayhold calibration policy show")
	}
	return out, nil
}
