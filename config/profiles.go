package config

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

//go:embed profiles/*.yaml
var profileFiles embed.FS

// chainStart is how far behind the marker a model begins when only the common
// model of 66 registers stands before it: marker 2, header 2, 66.
const chainStart = 70

// profileSize is the most a profile file may have, bytes.
const profileSize = 1 << 20

// profileNames lists the embedded profiles, as a device's "profile" names them.
func profileNames() []string {
	files, _ := fs.Glob(profileFiles, "profiles/*.yaml")
	for i, f := range files {
		files[i] = strings.ReplaceAll(strings.TrimSuffix(path.Base(f), ".yaml"), "-", " ")
	}
	slices.Sort(files)
	return files
}

// ProfileText returns the text of an embedded profile, to start one's own
// from; false when there is none of that name.
func ProfileText(name string) ([]byte, bool) {
	text, err := profileFiles.ReadFile("profiles/" + strings.ReplaceAll(name, " ", "-") + ".yaml")
	return text, err == nil && slices.Contains(profileNames(), name)
}

// profile reads the profile that a device names into the device.
func (r *parser) profile(sec section, d *configDevice) {
	name := sec.textOf("profile")
	text, embedded := ProfileText(name)
	at := "profile " + name
	if !embedded && (strings.Contains(name, "/") || strings.HasSuffix(name, ".yaml")) {
		at = r.path(name)
		var err error
		if text, err = readProfile(at); err != nil {
			sec.wrong(sec.at("profile"), "a path starts at the folder of the configuration",
				"the profile %s cannot be read: %v", name, reason(err))
			return
		}
	} else if !embedded {
		sec.wrong(sec.at("profile"), didYouMean(name,
			append(profileNames(), "a path ending in .yaml")), "there is no profile %q", name)
		return
	}
	s := newSourceText(at, text, sec.found)
	if doc := s.document(text); doc != nil {
		r.profiled(s, doc, d)
	}
}

// reason is the system's error without the path.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// readProfile reads a regular file of a sensible size: the path comes from a
// text that may be wrong, and a pipe or device would never end.
func readProfile(path string) ([]byte, error) {
	stat, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !stat.Mode().IsRegular() {
		return nil, errors.New("it is not a file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, profileSize+1))
	if err == nil && len(text) > profileSize {
		err = fmt.Errorf("it is larger than %d bytes", profileSize)
	}
	return text, err
}

func (r *parser) profiled(s *sourceText, doc *yaml.Node, d *configDevice) {
	sec, ok := s.section(doc, "the profile",
		slices.Concat([]string{"about", "sunspec", "points"}, paceKeys)...)
	if !ok {
		return
	}
	sec.paced(&d.Device)
	if n := sec.values["sunspec"]; n != nil {
		d.Chain = readChain(s, n)
	}
	seen := nameSet{}
	for _, n := range sec.items("points") {
		p, ok := s.point(n)
		if !ok {
			continue
		}
		seen.again(s, p.at("point"), "points", string(p.ID))
		p.fromProfile = true
		d.points = append(d.points, p)
	}
}

// readChain reads where the profile's model is looked for.
func readChain(s *sourceText, n *yaml.Node) *model.Chain {
	sec, ok := s.section(n, "the sunspec part", "model", "length", "bases")
	if !ok {
		return nil
	}
	sec.need("model", "length", "bases")
	c := &model.Chain{}
	number, _ := sec.whole("model", 1, model.ChainEnd-1)
	length, _ := sec.whole("length", 1, 65535-chainStart)
	c.Model, c.Length = uint16(number), uint16(length)
	texts, nodes := sec.list("bases")
	for i, t := range texts {
		if !s.plainNumber(nodes[i], t) {
			continue
		}
		b, err := wholeNumber(t)
		if err != nil || b < 0 || b > 65535-chainStart {
			s.wrong(nodes[i], "use frame addresses such as 40000", "%q cannot be a base", t)
			continue
		}
		c.Bases = append(c.Bases, uint16(b))
	}
	if len(c.Bases) > 0 {
		c.Start = c.Bases[0] + chainStart
	}
	return c
}
