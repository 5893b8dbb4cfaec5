package config

import (
	"errors"
	"testing"
	"time"

	"tickover/model"
)

func TestEveryFieldOfRemoteWriteAndMQTT(t *testing.T) {
	o := load(t, "everything.yaml").Outlets
	at := func(name string) string { return "../testdata/config/" + name }
	same(t, "remote write", o.RemoteWrite, []model.RemoteWrite{
		{Name: "central", URL: "https://metrics.example/api/v1/write", Access: model.Access{
			TLS: model.TLS{Authority: at("ca.pem"), Certificate: at("own.pem"), Key: at("own.key"),
				ServerName: "metrics.internal"},
			User: "skid7", Password: model.Secret{File: at("push.secret")},
			Headers: []model.Header{{Name: "X-Tenant", Value: "hatchery"},
				{Name: "X-Key", Secret: model.Secret{Environment: "PUSH_KEY"}}}},
			Labels: []model.Label{{Name: "site", Value: "lower-pond"},
				{Name: "instance", Value: "standby"}},
			Oldest: 14 * 24 * time.Hour, Every: 30 * time.Second, PerSecond: 20000,
			PerRequest: 5000},
		{Name: "here", URL: "http://127.0.0.1:9090/api/v1/write"},
	})
	same(t, "mqtt", o.MQTT, []model.MQTT{{Name: "house", Broker: "broker.example:8883",
		Secure: true,
		Access: model.Access{TLS: model.TLS{Authority: at("ca.pem")}, User: "skid",
			Password: model.Secret{Environment: "HOUSE_PASSWORD"}},
		Client: "skid-7", Prefix: "shed/set", Discovery: "discover", Every: 5 * time.Second,
		Expire: 30 * time.Second}})
}

func TestEveryFieldOfNotifyAndHook(t *testing.T) {
	o := load(t, "everything.yaml").Outlets
	at := func(name string) model.Secret { return model.Secret{File: "../testdata/config/" + name} }
	same(t, "targets", o.Targets, []model.Target{
		{Name: "pager", Kind: model.Webhook, URL: "https://pager.example/in",
			Access: model.Access{Bearer: at("pager.token")}, Sign: at("pager.key")},
		{Name: "chat", Kind: model.Webhook, Address: at("chat.address")},
		{Name: "other", Kind: model.AlertRouter,
			Address: model.Secret{Environment: "OTHER_ROUTER"}},
		{Name: "letter", Kind: model.Mail, Server: "mail.example:465", Security: model.ImplicitTLS,
			From:   "skid@example.org",
			To:     []string{"ada@example.org", "bo@example.org"},
			Access: model.Access{User: "skid", Password: at("mail.secret")}},
		{Name: "router", Kind: model.AlertRouter, URL: "http://127.0.0.1:9093"},
		{Name: "bus", Kind: model.Broker, Outlet: "house"},
	})
	same(t, "routes", o.Routes, []model.Route{
		{Least: model.Warning, To: []string{"letter", "bus", "router"}},
		{Least: model.Critical, To: []string{"pager"}, Second: []string{"letter"},
			Patience: 3 * time.Minute},
	})
	same(t, "heartbeat", o.Heartbeat, model.Heartbeat{URL: "https://watch.example/beat",
		Every:  30 * time.Second,
		Access: model.Access{Bearer: model.Secret{Environment: "BEAT_TOKEN"}}})
	same(t, "check in", o.CheckIn, model.CheckIn{Every: 20 * time.Minute, Missed: 3,
		Place: "Pump house, key under the third stone", To: []string{"pager"}})
	same(t, "hook", o.Hook, model.Hook{Command: []string{"/usr/local/bin/horn", "loud"},
		Least: model.Warning, Timeout: 3 * time.Second})
}

func TestOutletsAloneTakeNothingElse(t *testing.T) {
	o, err := ParseOutlets("o.yaml",
		[]byte("remote write: [{name: a, url: 'http://localhost:1/x'}]\n"))
	if err != nil || len(o.RemoteWrite) != 1 || o.Hook.Command != nil {
		t.Errorf("%+v, %v", o, err)
	}
	_, err = ParseOutlets("o.yaml", []byte("lines: []\n"))
	if ms := (Mistakes{}); !errors.As(err, &ms) || len(ms) != 1 {
		t.Errorf("lines among outlets: %v", err)
	}
}
