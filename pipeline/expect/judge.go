package expect

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// Limits of what is usual; all of them common practice, no source.
const (
	wattsPerSquareInch = 1 / (0.0254 * 0.0254) // in W/m2
	usualPower         = 8 * wattsPerSquareInch
	usualPeakLoss      = 0.05 // ten samples a cycle
	usualSpan          = 0.02 // departure of an instrument's gain from 1
	usualLeadLoss      = 0.02
)

// judge looks for what is odd about one channel.
type judge struct {
	t       *testfile.Test
	c       *Channel
	ch      *channel.Channel
	name    string // of the channel in the file
	channel *testfile.Channel
	gauge   *testfile.Gauge
	lot     *testfile.Lot
	source  *testfile.Source
	input   string

	subject Subject
}

func (j *judge) all() Subject {
	j.subject = Subject{Kind: "channel", Name: j.c.Name}
	j.installation()
	j.plausible()
	j.adhesive()
	j.strain()
	j.instrument()
	j.leads()
	j.shunt()
	j.temperature()
	j.power()
	j.peaks()
	return j.subject
}

func (j *judge) installation() {
	for _, f := range j.c.Envelope.Broken {
		j.subject.add(Broken, f.Source, "%s; its samples are flagged installation-rule", f.Text)
	}
	for _, f := range j.c.Envelope.Paperwork {
		j.subject.add(Missing, f.Source, "%s", f.Text)
	}
	if from, cured := j.c.Wire.From, j.c.Envelope.CuredAt; from.Given && from.Before(cured) {
		j.subject.add(Caution, "", "wired from %s on, before its cure ended at %s; samples until then are flagged uncured",
			j.clock(from.Time), j.clock(cured))
	}
}

// clock writes an instant as clocks of the test's zone show it.
func (j *judge) clock(at time.Time) string { return at.In(Zone(j.t)).Format("2006-01-02 15:04 MST") }

// Zone returns the test's time zone; UTC where it states none.
func Zone(t *testfile.Test) *time.Location {
	if zone, err := time.LoadLocation(t.About.Zone.Or("UTC")); err == nil { // Load refuses others
		return zone
	}
	return time.UTC
}

func (j *judge) adhesive() {
	e, service := j.c.Envelope, j.c.Thermal
	if service.To > e.Highest {
		j.subject.add(Caution, "", "the test expects up to %.4g degC, but the adhesive may be believed to %.4g degC; samples beyond are flagged adhesive-range", service.To, e.Highest)
	}
	if service.From < e.Lowest {
		j.subject.add(Caution, "", "the test expects down to %.4g degC, but the adhesive may be believed to %.4g degC; samples below are flagged adhesive-range", service.From, e.Lowest)
	}
}

func (j *judge) strain() {
	limit := j.c.Signal.Limit
	if math.IsNaN(limit) {
		j.subject.add(Missing, "", "no limits.strain: the output and the nonlinearity at it cannot be told, and no sample is flagged over-limit")
		return
	}
	if most := j.lot.Elongation; most.Given && limit > most.Value {
		j.subject.add(Caution, "", "the limit of %s is beyond the gauge's elongation of %s", micro(limit), micro(most.Value))
	}
	if stiffness, yield := j.ch.Stiffness(), j.ch.Yield; stiffness > 0 && yield > 0 {
		if j.c.Shear {
			yield /= math.Sqrt(3) // von Mises in pure shear
		}
		if limit > yield/stiffness {
			j.subject.add(Note, "", "yield begins at %s, below the limit of %s: stress from there on is flagged beyond-yield", micro(yield/stiffness), micro(limit))
		}
	}
}

func micro(strain float64) string { return fmt.Sprintf("%.4g um/m", strain*1e6) }

// instrument compares the largest reading to expect with the instrument's range.
func (j *judge) instrument() {
	raw, err := channel.RawOf(j.source, j.input, "")
	if err != nil {
		// The raw file may still say it, so this is no mistake.
		j.subject.add(Note, "", "%s", err)
		return
	}
	end := raw.Ratio(raw.Range, raw.Excitation)
	if math.IsInf(end, 0) || math.IsNaN(end) {
		return
	}
	rest := j.c.Signal.Rest
	if j.c.Stated {
		rest = j.c.Zero.Ratio
	}
	most := math.Abs(rest) + math.Abs(j.c.Signal.AtLimit)
	if most > end {
		j.subject.add(Caution, "", "readings of up to %.4g mV/V before any unbalance do not fit the instrument's range of %.4g mV/V; they will be flagged saturated", most*1e3, end*1e3)
	}
}

func (j *judge) leads() {
	s, layout := j.c.Signal, j.ch.Layout
	inArms := layout.Leads != [4]float64{}
	switch {
	case inArms && !j.channel.Leads.Given && !j.c.Wire.Leads.Given:
		j.subject.add(Missing, "", "no leads are stated: their loss is not corrected")
	case layout.Full() && !j.channel.RemoteSense.Value && !j.channel.Excitation.Given:
		j.subject.add(Missing, "", "neither remote-sense nor excitation-leads are stated: the loss in four wires is not corrected")
	}
	if s.LeadLoss > usualLeadLoss {
		j.subject.add(Note, practice, "the leads take %.3g %% of the signal, which is corrected; a figure above %.0f %% is worth a measurement of their resistance", s.LeadLoss*100, usualLeadLoss*100)
	}
	if math.Abs(s.LeadDrift) > 1e-8 {
		j.subject.add(Note, "", "two wires in one arm read %.4g mV/V at rest and %+.3g um/m for each degC that they warm%s",
			s.Rest*1e3, s.LeadDrift*1e6, j.leadsWatched())
	} else if j.c.Leads.Ohm20 > 0 && j.c.Compensated && j.leadsOf().Temperature.Text == "" {
		j.subject.add(Note, "", "the leads are taken to be as warm as the gauge (%s): state the temperature of leads that lie elsewhere", j.channel.Temperature.Text)
	}
}

// leadsOf are the wires that the channel's loss is reckoned from.
func (j *judge) leadsOf() testfile.Leads {
	switch {
	case j.ch.Layout.Full():
		return j.channel.Excitation
	case j.c.Wire.Leads.Given:
		return j.c.Wire.Leads
	}
	return j.channel.Leads
}

func (j *judge) leadsWatched() string {
	leads := j.leadsOf()
	switch {
	case leads.Temperature.Text != "":
		return fmt.Sprintf(", corrected by %s", leads.Temperature.Text)
	case j.c.Compensated:
		return fmt.Sprintf(", corrected as if they were as warm as the gauge (%s)", j.channel.Temperature.Text)
	}
	return "; no temperature is stated to correct it by"
}

func (j *judge) shunt() {
	s := j.c.Shunt
	if s == nil || math.IsNaN(s.Measured) {
		return
	}
	given := fmt.Sprintf("the shunt reading of the file, %.4g mV/V where %.4g was due, sets the span to %.5g", s.Measured*1e3, s.Step*1e3, s.Span)
	switch {
	case s.Span < 0:
		j.subject.add(Caution, "", "%s: the sign says that the signal wires are swapped (polarity), or that the shunt is not where the file has it", given)
	case math.Abs(s.Span/j.ch.Constants.Span-1) > usualSpan:
		j.subject.add(Caution, practice, "%s; more than %.0f %% is no instrument's gain: look at location, resistor, leads and wiring", given, usualSpan*100)
	default:
		j.subject.add(Note, "", "%s", given)
	}
}

func (j *judge) temperature() {
	t, o := j.c.Thermal, j.lot.ThermalOutput
	seen := math.Max(math.Abs(t.Low), math.Abs(t.High)) // NaN when not known
	if !o.Given && !t.Cancels {
		j.subject.add(Missing, "", "the lot states no thermal output: none is removed")
	}
	switch {
	case j.c.Compensated:
	case t.Cancels:
		j.subject.add(Note, "", "no temperature: the bridge cancels thermal output, but not the slope of the gauge factor")
	case math.IsNaN(seen):
		j.subject.add(Missing, "", "no temperature: neither thermal output nor the slope of the gauge factor is removed")
	default:
		j.subject.add(Missing, "", "no temperature: thermal output of up to %s is not removed", micro(seen))
	}
	from, to := math.Inf(-1), math.Inf(1)
	if o.Given {
		from, to = o.From.Or(from), o.To.Or(to)
	}
	for _, x := range []struct {
		what string
		at   float64
	}{
		{"temperature-low", t.From}, {"temperature-high", t.To}, {"zero", j.c.Zero.Temperature},
	} {
		if x.at < from || x.at > to {
			j.subject.add(Caution, "", "the thermal-output polynomial was fitted from %.4g to %.4g degC; %s is %.4g degC, where it means nothing", from, to, x.what, x.at)
		}
	}
}

func (j *judge) power() {
	if p := j.c.PowerDensity; p > usualPower {
		j.subject.add(Caution, practice, "%.3g mW/mm2 on the grid; 1.6 to 12.4 mW/mm2 is usual on metal (1 to 8 W/in2). Halve the excitation and look for a shift of the zero", p*1e-3)
	}
	if j.source.Excitation.Given && !(j.lot.GridLength.Given && j.lot.GridWidth.Given) {
		j.subject.add(Missing, "", "the lot states no grid length and width: the power on the grid cannot be told")
	}
}

func (j *judge) peaks() {
	switch loss := j.c.PeakLoss; {
	case loss >= 1:
		j.subject.add(Caution, "", "limits.frequency is not below half the sample rate of %.4g Hz: whole cycles can be missed, or read as slow ones", j.c.Rate)
	case loss > usualPeakLoss:
		j.subject.add(Caution, practice, "peaks at limits.frequency can be %.3g %% low; take at least ten samples a cycle", loss*100)
	}
}

// aboutTest says what the file leaves open for every channel.
func aboutTest(t *testfile.Test) Subject {
	s := Subject{Kind: "test", Name: t.About.Name.Text}
	l := t.About.Limits
	if !l.TemperatureLow.Given || !l.TemperatureHigh.Given {
		s.add(Missing, "", "limits.temperature-low and temperature-high: without both, thermal output and the adhesive's range are judged for channels that state their own only")
	}
	if !l.Frequency.Given {
		s.add(Missing, "", "limits.frequency: without it, the loss of peaks at the sample rate is told for channels that state their own only")
	}
	if t.About.Load.Text == "" {
		s.add(Missing, "", "load: no auxiliary quantity to read strain against")
	}
	alarms(&s, &t.Alarms)
	return s
}

// alarms says which of them reach nobody.
func alarms(s *Subject, a *testfile.Alarms) {
	levels := []string{"notice", "warning", "danger"}
	used, lowest := [3]bool{}, len(levels)
	for i := range a.Limits.Entries {
		l := &a.Limits.Entries[i].Value
		for k := range levels {
			used[k] = used[k] || l.Above.List()[k].Given || l.Below.List()[k].Given
		}
	}
	for i := range a.Flags.Entries {
		if k := slices.Index(levels, a.Flags.Entries[i].Value.Level.Text); k >= 0 {
			used[k] = true
		}
	}
	if k := slices.Index(levels, a.Silence.Level.Text); k >= 0 {
		used[k] = true
	}
	for _, who := range a.Tell {
		lowest = min(lowest, max(0, slices.Index(levels, who.From.Text)))
	}
	rules := slices.Contains(used[:], true)
	switch {
	case rules && len(a.Tell) == 0:
		s.add(Caution, "", "alarms without alarms.tell: they are decided and kept, and nobody is told of them")
	case !rules && len(a.Tell) > 0:
		s.add(Caution, "", "alarms.tell without limits, flags or silence: there is nothing to tell of")
	default:
		for k, level := range levels {
			if used[k] && k < lowest {
				s.add(Caution, "", "alarms of the level %s: alarms.tell has everybody told from a higher one on, so that nobody is told of them", level)
			}
		}
	}
}

// sources says what holds for all channels of a source.
func sources(t *testfile.Test, channels []Channel) []Subject {
	loadSource := ""
	if load, ok := t.Auxiliary.Get(t.About.Load.Text); ok {
		loadSource, _ = testfile.SplitInput(load.Input.Text)
	}
	var subjects []Subject
	for i := range t.Sources.Entries {
		e := &t.Sources.Entries[i]
		served := 0
		for k := range channels {
			if strings.HasPrefix(channels[k].Wire.Input.Text, e.Name+"/") {
				served++
			}
		}
		if served == 0 {
			continue
		}
		s := Subject{Kind: "source", Name: e.Name}
		if other, ok := t.Sources.Get(loadSource); ok && loadSource != e.Name {
			clocks(&s, t, &e.Value, loadSource, other)
		}
		if !e.Value.Excitation.Given {
			s.add(Missing, "", "no nominal excitation: the power on its grids cannot be told")
		}
		subjects = append(subjects, s)
	}
	return subjects
}

// clocks says what it means that strain and load are on different clocks.
func clocks(s *Subject, t *testfile.Test, strain *testfile.Source, loadName string, load *testfile.Source) {
	what := fmt.Sprintf("strain is on its own clock, the load %s on that of %s", t.About.Load.Text, loadName)
	if strain.Group.Or(group.MainGroup) != load.Group.Or(group.MainGroup) {
		s.add(Caution, "", "%s, in another group: nothing keeps the two in order", what)
	}
	if !strain.ClockTolerance.Given || !load.ClockTolerance.Given {
		s.add(Missing, "", "%s, and not both state a clock-tolerance: how far apart strain and load may be in time is not known", what)
		return
	}
	apart := strain.ClockTolerance.Value + load.ClockTolerance.Value
	text := fmt.Sprintf("%s: they may be %.4g ms apart, where a sample takes %.4g ms", what, apart*1e3, 1e3/strain.Rate.Value)
	if f := t.About.Limits.Frequency; f.Given {
		text += fmt.Sprintf("; at %.4g Hz that is up to %.2g %% of the load's amplitude", f.Value, 100*ClockError(f.Value, apart))
	}
	if strain.Rate.Value != load.Rate.Value {
		text += fmt.Sprintf("; the load is sampled at %.4g Hz", load.Rate.Value)
	}
	s.add(Note, "", "%s", text)
}

// ClockError returns the largest difference between a sine of frequency Hz and
// itself apart s later, as a part of its amplitude: 2 sin(pi f t), and 2 from
// half a period on. The formula follows from the geometry of a sine.
func ClockError(frequency, apart float64) float64 {
	return 2 * math.Sin(math.Min(math.Pi*frequency*apart, math.Pi/2))
}

// auxiliaries judges certificates.
func auxiliaries(t *testfile.Test, now time.Time) []Subject {
	var subjects []Subject
	for i := range t.Auxiliary.Entries {
		e := &t.Auxiliary.Entries[i]
		s := Subject{Kind: "auxiliary", Name: e.Name}
		a := &e.Value
		switch {
		case a.Certificate.Text == "":
			s.add(Missing, "", "no certificate of its calibration")
		case !a.Expires.Given:
			s.add(Missing, "", "its certificate %s states no expiry", a.Certificate.Text)
		}
		if a.Expires.Given && !now.Before(a.Expires.Time) {
			s.add(Caution, "", "its certificate %s expired at %s", a.Certificate.Or("(unnamed)"), a.Expires.In(Zone(t)).Format("2006-01-02 15:04 MST"))
		}
		subjects = append(subjects, s)
	}
	return subjects
}
