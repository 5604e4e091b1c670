package sitefile

import "go.yaml.in/yaml/v3"

// SiteID gives the id of the site that files describe, so that what is known of
// it can be looked up before they are read; empty if none of them does. Files
// that are no YAML are refused as Parse refuses them; what else is wrong with
// them is left to Parse.
func SiteID(files []File) (string, error) {
	docs, r, err := open(files)
	if err != nil {
		return "", err
	}
	if err := r.err(); err != nil {
		return "", err
	}
	for _, d := range docs {
		if id := child(child(d.node, "site"), "id"); id != nil && id.Kind == yaml.ScalarNode {
			return id.Value, nil
		}
	}
	return "", nil
}

// child gives the value under a key of a mapping; nil if there is none.
func child(n *yaml.Node, key string) *yaml.Node {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}
