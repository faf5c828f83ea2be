package journal

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// The server's MQTT gateway stores what is published with QoS 1 or 2 in a stream
// of its own before it acknowledges, as long as somebody durable is interested.
const (
	gatewayStream   = "$MQTT_msgs"
	gatewayPrefix   = "$MQTT.msgs."
	gatewayConsumer = "glueline~mqtt"
	gatewayQoS      = "Nmqtt-Pub"
	gatewayBytes    = 1 << 30 // that may wait there; what is more is refused
	// What was given out and not done with comes again after so long, also when
	// the server was started anew meanwhile. It is more than attempt and
	// longestPause together.
	gatewayPatience = 10 * time.Second
)

// MQTTTopic is the topic to which MQTT publishers send the readings of a source.
func MQTTTopic(test, group, source string) string {
	return strings.Join([]string{"glueline", token(test), token(group), "rows", token(source)}, "/")
}

// Gateway gives what MQTT publishers have sent to topics that begin with
// glueline/, in order, until each is done with: what was not is given again,
// after a restart too. It is for one goroutine.
type Gateway struct {
	conn     *Conn
	consumer jetstream.Consumer
	messages jetstream.MessagesContext
	unsure   *nats.Subscription
	made     int64
}

// OpenGateway reads what comes in at the server's MQTT listener, whose address
// is given. unsure is called with the topic of a message that came with QoS 0,
// which nothing keeps: it is not taken.
func (c *Conn) OpenGateway(ctx context.Context, address string, unsure func(topic string)) (*Gateway, error) {
	g := &Gateway{conn: c}
	if err := g.open(ctx, address, unsure); err != nil {
		return nil, fmt.Errorf("open the MQTT gateway: %w", errors.Join(err, g.Close()))
	}
	return g, nil
}

func (g *Gateway) open(ctx context.Context, address string, unsure func(topic string)) error {
	// The server makes its stream when the first publisher connects. Nothing
	// would be kept that came before the consumer below.
	if err := greet(ctx, address); err != nil {
		return err
	}
	stream, err := g.conn.js.Stream(ctx, gatewayStream)
	if err != nil {
		return err
	}
	config := stream.CachedInfo().Config
	if config.MaxBytes != gatewayBytes {
		config.MaxBytes, config.Discard = gatewayBytes, jetstream.DiscardNew
		if stream, err = g.conn.js.UpdateStream(ctx, config); err != nil {
			return err
		}
	}
	g.made = stream.CachedInfo().Created.UnixNano()
	g.consumer, err = stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
		Durable:       gatewayConsumer,
		FilterSubject: gatewayPrefix + "glueline.>",
		AckPolicy:     jetstream.AckExplicitPolicy,
		AckWait:       gatewayPatience,
		// With more than one under way, those that were not done with when the
		// reader ended would come again behind later ones.
		MaxAckPending: 1,
	})
	if err != nil {
		return err
	}
	g.unsure, err = g.conn.nc.Subscribe("glueline.*.*.rows.*", func(m *nats.Msg) {
		if m.Header.Get(gatewayQoS) == "0" {
			unsure(strings.ReplaceAll(m.Subject, ".", "/"))
		}
	})
	return err
}

// greet connects as an MQTT 3.1.1 client and leaves (sections 3.1, 3.2 and 3.14
// of the standard).
func greet(ctx context.Context, address string) error {
	ctx, cancel := context.WithTimeout(ctx, attempt)
	defer cancel()
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
	if err != nil {
		return err
	}
	defer conn.Close()
	if deadline, ok := ctx.Deadline(); ok {
		if err := conn.SetDeadline(deadline); err != nil {
			return err
		}
	}
	const cleanSession, keepAlive = 2, 10
	name := "glueline-" + rand.Text()
	body := []byte{0, 4, 'M', 'Q', 'T', 'T', 4, cleanSession, 0, keepAlive}
	body = binary.BigEndian.AppendUint16(body, uint16(len(name)))
	body = append(body, name...)
	if _, err := conn.Write(append([]byte{0x10, byte(len(body))}, body...)); err != nil {
		return err
	}
	var answer [4]byte
	if _, err := io.ReadFull(conn, answer[:]); err != nil {
		return err
	}
	if answer[0] != 0x20 || answer[3] != 0 {
		return fmt.Errorf("the gateway answers % x", answer)
	}
	_, err = conn.Write([]byte{0xE0, 0})
	return err
}

// Sent is a message of an MQTT publisher.
type Sent struct {
	Topic string
	Data  []byte
	Seq   uint64 // in the gateway, the same when it is given again

	msg jetstream.Msg
}

// Made is text that stays as long as the gateway counts on: sequences begin anew
// with another.
func (g *Gateway) Made() string { return strconv.FormatInt(g.made, 36) }

// Next waits for the next message, or until ctx ends.
func (g *Gateway) Next(ctx context.Context) (*Sent, error) {
	for pause := firstPause; ; pause = min(2*pause, longestPause) {
		sent, err := g.next(ctx)
		if err == nil {
			return sent, nil
		}
		if ctx.Err() != nil || g.conn.over(err) {
			return nil, fmt.Errorf("read the MQTT gateway: %w", errors.Join(ctx.Err(), err))
		}
		g.conn.log.Warn("reading the MQTT gateway was interrupted; it goes on", "error", err)
		g.stop()
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

func (g *Gateway) next(ctx context.Context) (*Sent, error) {
	if g.messages == nil {
		var err error
		g.messages, err = g.consumer.Messages(jetstream.PullMaxBytes(readAhead), jetstream.PullExpiry(5*heartbeat), jetstream.PullHeartbeat(heartbeat))
		if err != nil {
			return nil, err
		}
	}
	m, err := g.messages.Next(jetstream.NextContext(ctx))
	if err != nil {
		return nil, err
	}
	about, err := m.Metadata()
	if err != nil {
		return nil, err
	}
	topic := strings.ReplaceAll(strings.TrimPrefix(m.Subject(), gatewayPrefix), ".", "/")
	return &Sent{Topic: topic, Data: m.Data(), Seq: about.Sequence.Stream, msg: m}, nil
}

// Done says that the message is kept elsewhere now, or never will be.
func (s *Sent) Done() error {
	if err := s.msg.Ack(); err != nil {
		return fmt.Errorf("acknowledge message %d of the MQTT gateway: %w", s.Seq, err)
	}
	return nil
}

// Working keeps the message from being given again for some seconds more.
func (s *Sent) Working() error {
	if err := s.msg.InProgress(); err != nil {
		return fmt.Errorf("hold message %d of the MQTT gateway: %w", s.Seq, err)
	}
	return nil
}

func (g *Gateway) stop() {
	if g.messages != nil {
		g.messages.Stop()
		g.messages = nil
	}
}

// Close ends reading; what comes meanwhile is kept. It may be called twice.
func (g *Gateway) Close() error {
	g.stop()
	if g.unsure == nil {
		return nil
	}
	err := g.unsure.Unsubscribe()
	g.unsure = nil
	if err != nil && !g.conn.over(err) {
		return fmt.Errorf("close the MQTT gateway: %w", err)
	}
	return nil
}
