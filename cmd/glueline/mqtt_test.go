package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"glueline/pipeline/journal"
)

// connectMQTT connects a publisher that uses the library of others.
func connectMQTT(t *testing.T, address string) mqtt.Client {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + address).SetClientID("bench").SetAutoReconnect(false))
	token := c.Connect()
	if !token.WaitTimeout(time.Minute) || token.Error() != nil {
		t.Fatalf("connect: %v", token.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func sendMQTT(t *testing.T, c mqtt.Client, qos byte, topic, text string) {
	t.Helper()
	token := c.Publish(topic, qos, false, text)
	if !token.WaitTimeout(time.Minute) || token.Error() != nil {
		t.Fatalf("publish: %v", token.Error())
	}
}

// mqttRows are n rows as messages of some rows each, with boot and counter.
func mqttRows(n, each int) []string {
	var all []string
	for from := 0; from < n; from += each {
		var times, ratios []string
		textRows(from, min(each, n-from), func(at string, ratio float64) string {
			times, ratios = append(times, fmt.Sprintf("%q", at)), append(ratios, fmt.Sprint(ratio))
			return ""
		})
		all = append(all, fmt.Sprintf(`{"boot":"b1","counter":%d,"units":{"A1":"mV/V"},"time":[%s],"A1":[%s]}`,
			from, strings.Join(times, ","), strings.Join(ratios, ",")))
	}
	return all
}

const mqttTopic = "glueline/bracket=20on=20the=20bench/main/rows/node"

func TestMQTTTopicIsWhatTheDocumentationSays(t *testing.T) {
	if got := journal.MQTTTopic("bracket on the bench", "main", "node"); got != mqttTopic {
		t.Errorf("%s", got)
	}
}

// What is sent with boot and counter comes out once, though it is sent twice,
// beside messages that are refused and kept aside. What is acknowledged while
// the service takes it is there after a restart.
func TestMQTTRepeatsAreNoticed(t *testing.T) {
	address := freeAddress(t)
	s := startService(t, "--mqtt", address)
	c := connectMQTT(t, address)
	for i, text := range mqttRows(120, 7) {
		sendMQTT(t, c, 1, mqttTopic, text)
		if i%3 == 0 {
			sendMQTT(t, c, 1, mqttTopic, text) // as after a lost acknowledgement
		}
	}
	sendMQTT(t, c, 0, mqttTopic, mqttRows(1, 1)[0]) // the broker has read it when it acknowledges what follows
	sendMQTT(t, c, 1, "glueline/nothing/of/rows/ours", "{}")
	sendMQTT(t, c, 1, mqttTopic, `{"time":"noon","A1":1}`)
	s.until("a message is refused", func() bool { return strings.Contains(s.get("/status"), `"Refused":1,`) })
	if text := s.get("/quarantine"); !strings.Contains(text, `"reason":"no-frame","detail":"\"noon\"; write ISO 8601`) {
		t.Errorf("the quarantine does not tell why: %s", text)
	}
	sameRows(t, s.committed(120), feedRows(t, 120))
	for _, want := range []string{"is no frame", "to a topic of no source", "QoS 0 are not taken"} {
		if !strings.Contains(s.said(), want) {
			t.Errorf("it does not say %q but %s", want, s.said())
		}
	}
	if strings.Contains(s.said(), "at least once") {
		t.Error("it doubts messages that count themselves")
	}
}

// Without boot and counter a message that is sent twice is two, whose second has
// no later time; the service says so once a source.
func TestMQTTWithoutCounterIsAtLeastOnce(t *testing.T) {
	address := freeAddress(t)
	s := startService(t, "--mqtt", address)
	c := connectMQTT(t, address)
	for _, text := range strings.Split(strings.TrimSpace(textRows(0, 60, jsonRow)), "\n") {
		sendMQTT(t, c, 2, mqttTopic, text)
	}
	sameRows(t, s.committed(60), feedRows(t, 60))
	if n := strings.Count(s.said(), "at least once"); n != 1 {
		t.Errorf("it says %d times that repeats cannot be noticed: %s", n, s.said())
	}
}

// A journal that is full takes nothing. What MQTT publishers had acknowledged
// waits, and is taken by the next run of the service, which has more room.
func TestMQTTKeepsWhatTheJournalDoesNotTake(t *testing.T) {
	address := freeAddress(t)
	s := startService(t, "--mqtt", address, "--journal-max", "20000")
	c := connectMQTT(t, address)
	for _, text := range mqttRows(120, 1) { // about a kilobyte each in the journal
		sendMQTT(t, c, 1, mqttTopic, text)
	}
	c.Disconnect(100)
	s.stop()
	if !strings.Contains(s.said(), "the journal does not take a frame of MQTT") {
		t.Errorf("it does not say that the journal is full but %s", s.said())
	}
	s.start("--mqtt", freeAddress(t))
	sameRows(t, s.committed(120), feedRows(t, 120))
}

func TestMQTTStaysOnThisMachine(t *testing.T) {
	dir := t.TempDir()
	for _, address := range []string{"0.0.0.0:1883", ":1883"} {
		status, _, errs := glueline(t.Context(), "serve", write(t, dir, "bench.yaml", feedTest), "--data", dir, "--mqtt", address)
		if status != 1 || !strings.Contains(errs, "refusing to listen without authentication") {
			t.Errorf("%s: status %d, %s", address, status, errs)
		}
	}
}
