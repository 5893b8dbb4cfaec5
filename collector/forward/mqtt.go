package forward

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"tickover/model"
)

const (
	defaultPublish = 10 * time.Second
	leastExpiry    = time.Minute
	brokerLimit    = 10 * time.Second // for one publication to be acknowledged
	online         = "online"
	offline        = "offline"
)

// BrokerParts are what a Publisher is built from.
type BrokerParts struct {
	To      model.MQTT
	Setup   model.Setup
	Latest  func() *model.Snapshot
	Changed func() <-chan struct{}
	Now     func() model.Instant
	TLS     *tls.Config            // nil means not encrypted
	Secret  func() (string, error) // the user's password; nil when there is none
	Failed  func(error) error      // gives a network's error its hint
	Version string
	Log     *slog.Logger
}

// Publisher keeps a broker told of the newest readings and alarms: retained,
// with an availability that turns to offline when we are gone. It takes no
// commands. Make one with NewPublisher.
type Publisher struct {
	parts  BrokerParts
	client paho.Client
	topics topics
	born   chan struct{} // a connection was made, or a reader asks to be told anew

	mu     sync.Mutex
	health model.OutletHealth
	since  bool // connected
	sent   map[string]string
}

// NewPublisher makes a publisher. It connects when it runs.
func NewPublisher(p BrokerParts) *Publisher {
	p.To.Every = orDefault(p.To.Every, defaultPublish)
	p.To.Expire = orDefault(p.To.Expire, max(leastExpiry, 3*p.To.Every))
	b := &Publisher{parts: p, topics: newTopics(p), born: make(chan struct{}, 1), sent: map[string]string{},
		health: model.OutletHealth{Name: p.To.Name, Kind: "mqtt", Trouble: "not connected yet"}}
	b.client = paho.NewClient(b.options())
	return b
}

// options of the connection. The will makes the broker say that we are gone
// when we cannot say it any more.
func (b *Publisher) options() *paho.ClientOptions {
	scheme := "tcp://"
	if b.parts.TLS != nil {
		scheme = "ssl://"
	}
	o := paho.NewClientOptions().AddBroker(scheme+b.parts.To.Broker).SetClientID(b.topics.client).
		SetTLSConfig(b.parts.TLS).SetCleanSession(true).SetOrderMatters(false).
		SetConnectTimeout(brokerLimit).SetWriteTimeout(brokerLimit).SetKeepAlive(20*time.Second).SetPingTimeout(brokerLimit).
		SetAutoReconnect(false).SetWill(b.topics.available, offline, 1, true)
	if b.parts.To.Access.User != "" {
		o.SetCredentialsProvider(func() (string, string) {
			password, err := b.parts.Secret()
			if err != nil {
				b.note(err)
			}
			return b.parts.To.Access.User, password
		})
	}
	return o
}

// Run publishes until the context ends, then says that we go.
func (b *Publisher) Run(ctx context.Context) {
	pause := shortestWait
	for ctx.Err() == nil {
		err := b.session(ctx)
		if ctx.Err() != nil {
			break
		}
		b.note(err)
		if b.since {
			pause, b.since = shortestWait, false
		}
		sleep(ctx, pause)
		pause = min(2*pause, time.Minute)
	}
	if b.client.IsConnectionOpen() {
		if err := b.wait(b.client.Publish(b.topics.available, 1, true, offline)); err != nil {
			b.parts.Log.Warn("the broker was not told that we go", "err", err)
		}
	}
	b.client.Disconnect(250)
}

// session is one connection: birth, everything anew, then what changes.
func (b *Publisher) session(ctx context.Context) error {
	if err := b.wait(b.client.Connect()); err != nil {
		return b.explain(err)
	}
	defer func() {
		if ctx.Err() == nil {
			b.client.Disconnect(250)
		}
	}()
	clear(b.sent)
	if err := b.greet(); err != nil {
		return b.explain(err)
	}
	b.note(nil)
	b.since = true
	for {
		if err := b.publish(); err != nil {
			return b.explain(err)
		}
		if err := b.idle(ctx); err != nil || ctx.Err() != nil {
			return err
		}
	}
}

// idle waits until something is to be published.
func (b *Publisher) idle(ctx context.Context) error {
	next := time.NewTimer(b.parts.To.Every)
	defer next.Stop()
	before := alarmStates(b.parts.Latest())
	for {
		changed := b.parts.Changed()
		if alarmStates(b.parts.Latest()) != before {
			return nil // alarms do not wait
		}
		select {
		case <-ctx.Done():
			return nil
		case <-next.C:
			return nil
		case <-b.born:
			clear(b.sent)
			return b.greet()
		case <-changed:
			if !b.client.IsConnectionOpen() {
				return errLost
			}
		}
	}
}

var errLost = &model.Fault{Err: errors.New("the connection to the broker was lost"),
	Hint: "look at the broker; the newest values are published as soon as it is back"}

// greet says that we are there, describes what we publish, and listens for
// readers that begin anew.
func (b *Publisher) greet() error {
	if err := b.wait(b.client.Publish(b.topics.available, 1, true, online)); err != nil {
		return err
	}
	if b.parts.To.Discovery == "" {
		return nil
	}
	asked := func(_ paho.Client, m paho.Message) {
		if string(m.Payload()) == online && !m.Retained() {
			select {
			case b.born <- struct{}{}:
			default:
			}
		}
	}
	if err := b.wait(b.client.Subscribe(b.parts.To.Discovery+"/status", 1, asked)); err != nil {
		return err
	}
	for topic, document := range b.topics.documents(b.parts) {
		text, err := json.Marshal(document)
		if err != nil {
			return fmt.Errorf("describe %s: %w", topic, err)
		}
		if err := b.put(topic, string(text), true); err != nil {
			return err
		}
	}
	return nil
}

// publish brings readings, engine state and alarms. Readings are published
// anew each time, so that they do not expire; the others when they change.
func (b *Publisher) publish() error {
	snapshot := b.parts.Latest()
	for _, p := range b.topics.state(b.parts, snapshot) {
		if !p.always && b.sent[p.topic] == p.text {
			continue
		}
		if err := b.put(p.topic, p.text, true); err != nil {
			return err
		}
		b.sent[p.topic] = p.text
	}
	return nil
}

// put publishes and waits for the broker to take it.
func (b *Publisher) put(topic, text string, retained bool) error {
	if err := b.wait(b.client.Publish(topic, 1, retained, text)); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.health.Sent++
	return nil
}

// Tell publishes a message to people, not retained: it is told once.
func (b *Publisher) Tell(_ context.Context, text []byte) error {
	if !b.client.IsConnectionOpen() {
		return &model.Fault{Err: errors.New("the broker is not connected"), Hint: "tickover outlets says why"}
	}
	return b.put(b.topics.message, string(text), false)
}

// wait never waits for ever: a token of a lost connection may not end.
func (b *Publisher) wait(t paho.Token) error {
	if !t.WaitTimeout(brokerLimit) {
		return &model.Fault{Err: fmt.Errorf("the broker %s does not answer within %s", b.parts.To.Broker, brokerLimit), Hint: "look at the broker and at the network"}
	}
	return t.Error()
}

// explain gives an error its hint.
func (b *Publisher) explain(err error) error {
	if model.HintOf(err) != "" {
		return err
	}
	if errors.Is(err, paho.ErrNotConnected) {
		return errLost
	}
	if hint := refusalHint(err); hint != "" {
		return &model.Fault{Err: err, Hint: hint}
	}
	return b.parts.Failed(err)
}

// note remembers and logs a change of fortune.
func (b *Publisher) note(err error) {
	b.mu.Lock()
	before := b.health.Trouble
	b.health.Trouble, b.health.Hint = "", ""
	if err != nil {
		b.health.Trouble, b.health.Hint = err.Error(), model.HintOf(err)
		b.health.Failures++
	}
	b.mu.Unlock()
	switch {
	case err != nil && before == "":
		b.parts.Log.Warn("the broker is not told", "err", err, "hint", model.HintOf(err))
	case err == nil && before != "":
		b.parts.Log.Info("the broker is told")
	}
}

// Health is how the outlet fares.
func (b *Publisher) Health() model.OutletHealth {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.health
}
