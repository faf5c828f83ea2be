package drift

// Cause is why a channel moved, or that it did not, or that nobody can say.
type Cause string

// The causes. Structure is the article itself: yield, crack, a joint that gave.
const (
	Healthy     Cause = "healthy"
	Moisture    Cause = "moisture"
	Creep       Cause = "creep"
	PostCure    Cause = "post-cure"
	Connector   Cause = "connector"
	LeadHeat    Cause = "lead-heat"
	Debond      Cause = "debond"
	Fatigue     Cause = "fatigue"
	Shakedown   Cause = "shakedown"
	SelfHeating Cause = "self-heating"
	Instrument  Cause = "instrument"
	Structure   Cause = "structure"
	Thermal     Cause = "thermal"
	CannotTell  Cause = "cannot tell"
)

// About says in words what a cause means and which one measurement would decide.
type About struct {
	Cause   Cause
	Meaning string
	Decide  string
}

// Causes lists what a channel is judged by, in no order of rank.
var Causes = []About{
	{Healthy, "nothing moved beyond its noise and its temperature", "nothing: go on"},
	{Moisture, "a leak across the gauge or its leads: moisture under the coating", "read the insulation, gauge to article, at 50 V or less"},
	{Creep, "the adhesive relaxes under load", "unload for ten times the settling time and see whether the zero returns"},
	{PostCure, "the adhesive goes on curing", "heat a witness gauge, or this one, to its post-cure temperature unloaded and see whether the drift ends"},
	{Connector, "a contact or a lead changes its resistance", "measure the loop resistance of every lead while somebody moves the connector"},
	{LeadHeat, "two leads in one arm follow the lead's temperature", "warm the cable by hand, or wire a third lead"},
	{Debond, "part of the grid no longer follows the article", "load to a known level and compare the slope with a neighbour; tap or press the gauge and look at the zero"},
	{Fatigue, "the grid cracks under load cycles", "measure the gauge's resistance against its resistance when bonded"},
	{Shakedown, "the article settles under its first loads", "repeat the same load: the zero must return to where it was"},
	{SelfHeating, "the excitation heats the grid", "halve the excitation and see whether the zero moves"},
	{Instrument, "offset or gain of the instrument moved, with all its channels", "put a stable resistor bridge on this input"},
	{Structure, "the article yielded, cracked or settled at a load that it had not seen before", "look at the place, by penetrant or by eye, and bond a second gauge beside it"},
	{Thermal, "the zero follows temperature more than its compensation says", "put a witness gauge on a free coupon beside it for a day"},
}
