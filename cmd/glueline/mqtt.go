package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"glueline/pipeline/feed"
	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
	"glueline/pipeline/testfile"
)

// mqttWay carries what MQTT publishers send into the journals: a message is
// acknowledged to the gateway when the journal has its frame.
type mqttWay struct {
	gateway *journal.Gateway
	test    *testfile.Test
	sources map[string]*mqttSource // by topic
	log     *slog.Logger
	payload []byte
}

// mqttSource is a source that may publish over MQTT.
type mqttSource struct {
	name    string
	journal *journal.Journal
	encoder frame.WireEncoder
	unsure  bool // it was said that repeats cannot be noticed
	refused uint64
}

// newMQTTWay begins to keep what comes for the sources of the groups.
func newMQTTWay(ctx context.Context, conn *journal.Conn, address string, svc *service) (*mqttWay, error) {
	w := &mqttWay{test: svc.test, sources: map[string]*mqttSource{}, log: svc.log}
	for _, g := range svc.groups {
		for _, source := range g.plan.Sources() {
			topic := journal.MQTTTopic(svc.test.About.Name.Text, g.plan.Name, source)
			w.sources[topic] = &mqttSource{name: source, journal: g.journal}
		}
	}
	var said sync.Map
	var err error
	w.gateway, err = conn.OpenGateway(ctx, address, func(topic string) {
		if _, before := said.LoadOrStore(topic, true); !before {
			w.log.Error("MQTT messages with QoS 0 are not taken: nothing keeps them on their way; send with QoS 1", "topic", topic)
		}
	})
	return w, err
}

// run works until ctx ends.
func (w *mqttWay) run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, w.gateway.Close()) }()
	for {
		sent, err := w.gateway.Next(ctx)
		if err == nil {
			err = w.message(ctx, sent)
		}
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return fmt.Errorf("MQTT: %w", err)
		}
	}
}

// message brings one message to the journal, which it keeps trying, and then
// lets go of it.
func (w *mqttWay) message(ctx context.Context, sent *journal.Sent) error {
	source := w.sources[sent.Topic]
	if source == nil {
		w.log.Error("an MQTT message to a topic of no source is not taken", "topic", sent.Topic, "topics", w.topics())
		return sent.Done()
	}
	header, payload, err := w.frame(source, sent)
	publish := func() error { _, err := source.journal.Publish(ctx, header, payload); return err }
	if why := err; why != nil {
		// As it is, it is kept in quarantine by whoever reads the journal.
		w.tellRefused(source, why)
		header = frame.Header{Source: source.name, Boot: "mqtt-refused-" + w.gateway.Made(), Number: sent.Seq}
		payload = sent.Data
		publish = func() error {
			_, err := source.journal.PublishNoFrame(ctx, header, payload, why.Error())
			return err
		}
	}
	for pause, trouble := 50*time.Millisecond, false; ; pause = min(2*pause, 2*time.Second) {
		err := publish()
		if err == nil {
			return sent.Done()
		}
		if errors.Is(err, nats.ErrMaxPayload) {
			w.log.Error("an MQTT message is too large to be kept", "source", source.name, "bytes", len(payload))
			return sent.Done()
		}
		if !trouble {
			trouble = true
			w.log.Warn("the journal does not take a frame of MQTT; it is kept and tried again", "source", source.name, "err", err)
		}
		select {
		case <-ctx.Done():
			return nil // it comes again
		case <-time.After(pause):
		}
		if err := sent.Working(); err != nil {
			return err
		}
	}
}

// tellRefused tells of the first message that is no frame, and then of fewer and
// fewer: a publisher that is set up wrongly sends nothing else.
func (w *mqttWay) tellRefused(source *mqttSource, err error) {
	if source.refused++; isRound(source.refused) {
		w.log.Error("an MQTT message is no frame; glueline quarantine keeps it", "source", source.name, "err", err, "so far", source.refused)
	}
}

// isRound says whether a count is one that is told: 1, 10, 100 and so on.
func isRound(n uint64) bool {
	for n >= 10 && n%10 == 0 {
		n /= 10
	}
	return n == 1
}

// frame reads a message. One that does not count itself is counted by the
// gateway, which knows its own repeats but not those of the publisher.
func (w *mqttWay) frame(source *mqttSource, sent *journal.Sent) (frame.Header, []byte, error) {
	m, err := feed.ParseMessage(sent.Data, w.test, source.name)
	if err != nil {
		return frame.Header{}, nil, err
	}
	f := &frame.Frame{Source: source.name, Boot: m.Boot, Number: m.Counter, Counter: m.Counter, Counted: true, Time: m.Time, Columns: m.Columns}
	if m.Boot == "" {
		f.Boot, f.Number, f.Counter, f.Counted = "mqtt-"+w.gateway.Made(), sent.Seq, 0, false
		if !source.unsure {
			source.unsure = true
			w.log.Warn("MQTT messages without boot and counter are taken at least once; repeats cannot be noticed", "source", source.name)
		}
	}
	if w.payload, err = source.encoder.Append(w.payload[:0], f); err != nil {
		return frame.Header{}, nil, err
	}
	return frame.HeaderOf(f), w.payload, nil
}

func (w *mqttWay) topics() []string { return sortedKeys(w.sources) }
