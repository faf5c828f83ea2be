package group

import (
	"encoding/json"
	"fmt"
)

// ChannelConstants is what a segment says of the constants of one channel, in
// the metadata of its strain.
type ChannelConstants = channelCalibration

// ReadConstants reads such metadata.
func ReadConstants(text string) (ChannelConstants, error) {
	var c ChannelConstants
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return c, fmt.Errorf("constants of a channel: %w", err)
	}
	return c, nil
}

// At returns the wire that served the channel at a time, nil when none did.
func (c *channelCalibration) At(at int64) *wireCalibration {
	for i := range c.Wires {
		if w := &c.Wires[i]; w.From <= at && at < w.To {
			return w
		}
	}
	return nil
}
