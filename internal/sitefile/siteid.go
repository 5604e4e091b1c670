package sitefile

import (
	"slices"

	"go.yaml.in/yaml/v3"
)

// SiteID gives the id of the site that files describe, so that what is known of
// it can be looked up before they are read; empty if none of them does. It
// fails, as Parse would, if the id is none, or if no id is found and some file
// is no YAML; what else is wrong with the files is left to Parse.
func SiteID(files []File) (string, error) {
	// Tables carry no site: what is wrong with them is for Parse alone.
	files = slices.DeleteFunc(slices.Clone(files), func(f File) bool { return isCSV(f.Name) })
	if len(files) == 0 {
		return "", nil
	}
	docs, r, err := open(files, Known{})
	if err != nil {
		return "", err
	}
	for _, d := range docs {
		_, site := lookUp(d.node, "site")
		if site == nil {
			continue
		}
		key, id := lookUp(site, "id")
		if id == nil || id.Kind != yaml.ScalarNode || isNull(id) {
			continue
		}
		v := value{r: r, file: d.file, node: id, at: key, name: "id"}
		if slug := v.slug(); slug == id.Value {
			return slug, nil
		}
		break
	}
	r.sort()
	return "", r.err()
}
