package fhirmap

import (
	"bytes"
	"fmt"
	"strconv"
	"time"
)

// referencePrefix is how every reference between resources begins in the encoded
// JSON. Inside a string its quotes would be escaped, so that these bytes are
// always a reference's own.
const referencePrefix = `"reference":"urn:uuid:`

// resourceBase begins the URLs that stand for resources where a bundle refers to
// them by type and id. They name; nothing answers there.
const resourceBase = Base + "/"

// uuidLength is the length of a UUID in text.
const uuidLength = 36

// Literal gives the resources of one case with references in the literal form
// Type/id, for readers that get resources one by one: a server's clients, files
// of one type. Resources and Transaction refer by urn:uuid, which is only resolved
// inside a bundle.
//
// Error: a reference to a resource that is not in the list.
func Literal(list []Resource) ([]Resource, error) {
	types := make(map[string]string, len(list))
	for _, r := range list {
		types[r.ID] = r.Type
	}
	out := make([]Resource, len(list))
	for i, r := range list {
		text, err := literal(r.JSON, types)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", r.Type, r.ID, err)
		}
		out[i] = Resource{r.Type, r.ID, text}
	}
	return out, nil
}

func literal(text []byte, types map[string]string) ([]byte, error) {
	var out []byte
	for {
		before, after, found := bytes.Cut(text, []byte(referencePrefix))
		if !found {
			if out == nil {
				return text, nil
			}
			return append(out, text...), nil
		}
		if len(after) < uuidLength {
			return nil, fmt.Errorf("a reference ends after %d characters", len(after))
		}
		id := string(after[:uuidLength])
		typ, known := types[id]
		if !known {
			return nil, fmt.Errorf("it refers to %s, which the case does not have", id)
		}
		out = append(out, before...)
		out = append(out, `"reference":"`+typ+"/"+id...)
		text = after[uuidLength:]
	}
}

// LastUpdated writes the time of a last change as it stands in meta.
func LastUpdated(changed time.Time) string { return changed.UTC().Format(layout) }

// Versioned gives the resource with the version and the time of its last change
// in its meta, as a server states them. A transaction leaves them out: there they
// are the receiver's.
//
// Error: a resource that does not begin with type, id and meta.
func Versioned(r Resource, version int64, changed time.Time) (Resource, error) {
	head := []byte(`{"resourceType":"` + r.Type + `","id":"` + r.ID + `","meta":{`)
	rest, found := bytes.CutPrefix(r.JSON, head)
	if !found {
		return Resource{}, fmt.Errorf("%s %s does not begin with its type, id and meta", r.Type, r.ID)
	}
	stamp := `"versionId":"` + strconv.FormatInt(version, 10) + `","lastUpdated":"` + LastUpdated(changed) + `",`
	text := make([]byte, 0, len(r.JSON)+len(stamp))
	text = append(text, head...)
	text = append(text, stamp...)
	return Resource{r.Type, r.ID, append(text, rest...)}, nil
}
