package forward

import (
	"strings"

	"tickover/model"
)

// document describes one thing published, for readers that set themselves up
// by the common discovery convention of MQTT. Every reading has an expiry, so
// that one of a dead logger does not live on.
type document struct {
	Name         string         `json:"name"`
	UniqueID     string         `json:"unique_id"`
	State        string         `json:"state_topic"`
	Template     string         `json:"value_template,omitempty"`
	Unit         string         `json:"unit_of_measurement,omitempty"`
	Class        string         `json:"device_class,omitempty"`
	StateClass   string         `json:"state_class,omitempty"`
	On           string         `json:"payload_on,omitempty"`
	Off          string         `json:"payload_off,omitempty"`
	Expire       int            `json:"expire_after,omitempty"`
	Availability []availability `json:"availability"`
	Mode         string         `json:"availability_mode"`
	Device       deviceCard     `json:"device"`
}

type availability struct {
	Topic string `json:"topic"`
}

type deviceCard struct {
	Identifiers []string `json:"identifiers"`
	Name        string   `json:"name"`
	Software    string   `json:"sw_version"`
	Area        string   `json:"suggested_area,omitempty"`
}

// documents are all descriptions by their topics.
func (t topics) documents(p BrokerParts) map[string]document {
	all := map[string]document{}
	name := p.Setup.Rating.Name
	if name == "" {
		name = "generating set"
	}
	if p.Setup.Simulated {
		name = "SIMULATED " + name
	}
	card := deviceCard{[]string{t.node}, name, "tickover " + p.Version, p.Setup.Rating.Site}
	snapshot := p.Latest()
	add := func(kind, object string, d document) {
		object = plainWord(object)
		d.UniqueID, d.Mode, d.Device = t.node+"-"+object, "all", card
		d.Availability = append([]availability{{t.available}}, d.Availability...)
		all[p.To.Discovery+"/"+kind+"/"+t.node+"/"+object+"/config"] = d
	}
	for id := range snapshot.Readings {
		if id != model.EngineStatePoint {
			add("sensor", string(id), t.reading(id, int(p.To.Expire.Seconds())))
		}
	}
	for id := range t.points {
		add("sensor", string(id), t.reading(id, int(p.To.Expire.Seconds())))
	}
	add("sensor", "engine", document{Name: "Engine", State: t.engine, Expire: int(p.To.Expire.Seconds())})
	for _, a := range snapshot.Alarms {
		add("binary_sensor", "alarm-"+a.Rule.ID, document{Name: a.Rule.Label, State: t.base + "/alarm/" + a.Rule.ID,
			Template: "{{ 'ON' if value_json.active else 'OFF' }}", On: "ON", Off: "OFF", Class: "problem"})
	}
	return all
}

func (t topics) reading(id model.PointID, expire int) document {
	q := t.quantity(id)
	topic := t.base + "/point/" + string(id)
	unit, _ := shownUnit(q)
	d := document{Name: t.label(id), State: topic, Template: "{{ value_json.value }}", Unit: unit, StateClass: "measurement",
		Class: deviceClasses()[q], Expire: expire, Availability: []availability{{topic + "/available"}}}
	if q == model.Energy {
		d.StateClass = "total_increasing"
	}
	if q == model.State {
		d.StateClass = ""
	}
	return d
}

func (t topics) label(id model.PointID) string {
	if p, ok := t.points[id]; ok && p.Label != "" {
		return p.Label
	}
	return strings.ReplaceAll(string(id), ".", " ")
}

// deviceClasses are the convention's words for quantities, as far as it has
// one.
func deviceClasses() map[model.Quantity]string {
	return map[model.Quantity]string{
		model.Voltage: "voltage", model.Current: "current", model.Frequency: "frequency", model.ActivePower: "power",
		model.ReactivePower: "reactive_power", model.ApparentPower: "apparent_power", model.PowerFactor: "power_factor",
		model.Energy: "energy", model.Temperature: "temperature", model.Pressure: "pressure", model.Duration: "duration",
	}
}
