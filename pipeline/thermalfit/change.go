package thermalfit

import (
	"errors"
	"fmt"

	"glueline/pipeline/channel"
)

// ErrBridge occurs when a channel's bridge has no single gauge whose change could
// be told: every other bridge is made to cancel what is looked for.
var ErrBridge = errors.New("its bridge cancels thermal output: only a quarter bridge tells that of its gauge")

// Change returns the relative resistance change of the gauge of a quarter bridge
// since the zero, from a strain in m/m that the channel reduced at a temperature
// in degC:
//
//	a + F(T) m u,
//
// a being the thermal term that the reduction took out, u the strain and m the
// gauge's response to it. Leads, nonlinearity and the gain of the instrument
// remain taken out. Without stress it is the gauge's thermal output as a
// resistance change, whatever was taken for it. NaN where an argument is NaN; the
// error is ErrBridge.
func Change(ch *channel.Channel, strain, temperature float64) (float64, error) {
	if !ch.Layout.Quarter() {
		return 0, fmt.Errorf("%s: %w", ch.Layout.Name, ErrBridge)
	}
	s := ch.State(temperature, temperature)
	return s.Thermal + s.GaugeFactor*ch.Bridge().Response[0]*strain, nil
}
