package group

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
)

// Calibration is everything that turns one source's raw readings into results
// and may be found wrong one day. Its JSON is canonical: fields in fixed order,
// shortest exact numbers, no maps.
type Calibration struct {
	Source       string                   `json:"source"`
	Input        inputCalibration         `json:"input"`
	Inputs       []inputCalibration       `json:"inputs,omitempty"`
	Channels     []channelCalibration     `json:"channels"`
	Rosettes     []rosetteCalibration     `json:"rosettes,omitempty"`
	Temperatures []temperatureCalibration `json:"temperatures,omitempty"`
	Auxiliary    []auxiliaryCalibration   `json:"auxiliary,omitempty"`
}

type inputCalibration struct {
	Name           string `json:"name,omitempty"`
	Unit           string `json:"unit,omitempty"`
	Scale          Real   `json:"scale,omitempty"`
	ScaleUnit      string `json:"scale_unit,omitempty"`
	Range          Real   `json:"range,omitempty"`
	RangeUnit      string `json:"range_unit,omitempty"`
	Excitation     Real   `json:"excitation_v,omitempty"`
	ExcitationIn   string `json:"excitation_input,omitempty"`
	WarmUp         Real   `json:"warm_up_s,omitempty"`
	ClockTolerance Real   `json:"clock_tolerance_s,omitempty"`
	ClockAhead     Real   `json:"clock_ahead_s,omitempty"`
	Rate           Real   `json:"rate_hz,omitempty"`
	LoggerFactor   Real   `json:"logger_gauge_factor,omitempty"`
	LoggerBridge   Real   `json:"logger_bridge_factor,omitempty"`
	Linearised     bool   `json:"logger_linearised,omitempty"`
	LoggerSign     string `json:"logger_sign,omitempty"`
}

type channelCalibration struct {
	Name        string            `json:"name"`
	Temperature string            `json:"temperature,omitempty"`
	Zero        *zeroCalibration  `json:"zero,omitempty"`
	Wires       []wireCalibration `json:"wires"`
	Predictions []bandCalibration `json:"predictions,omitempty"`
}

type bandCalibration struct {
	Step string `json:"step"`
	Low  Real   `json:"low"`
	High Real   `json:"high"`
}

type zeroCalibration struct {
	Ratio           Real   `json:"ratio_v_per_v,omitempty"`
	Temperature     Real   `json:"temperature_degc,omitempty"`
	LeadTemperature Real   `json:"lead_temperature_degc,omitempty"`
	First           Real   `json:"first_s,omitempty"`
	From            string `json:"from,omitempty"`
	To              string `json:"to,omitempty"`
}

type wireCalibration struct {
	Input     string            `json:"input_and_gauge"`
	From      int64             `json:"from_ns"`
	To        int64             `json:"to_ns"`
	Constants channel.Constants `json:"constants"`
	LeadsAt   string            `json:"lead_temperature,omitempty"`
	Judged    judgedBy          `json:"judged_by"`
}

type judgedBy struct {
	Strain         Real  `json:"strain"`
	Elongation     Real  `json:"elongation"`
	Yield          Real  `json:"yield_strain"`
	PolynomialLow  Real  `json:"polynomial_low_degc"`
	PolynomialHigh Real  `json:"polynomial_high_degc"`
	AdhesiveLow    Real  `json:"adhesive_low_degc"`
	AdhesiveHigh   Real  `json:"adhesive_high_degc"`
	CuredAt        int64 `json:"cured_at_ns"`
	Broken         bool  `json:"rule_broken"`
	Unsigned       bool  `json:"unsigned,omitempty"`
	Settling       int64 `json:"settling_ns"`
	Excitation     Real  `json:"excitation_band,omitempty"`
}

type rosetteCalibration struct {
	Name   string   `json:"name"`
	Grids  []string `json:"grids"`
	Angles []Real   `json:"angles_rad"`
}

type temperatureCalibration struct {
	Name      string `json:"name"`
	Input     string `json:"input"`
	Sensor    string `json:"sensor"`
	Type      string `json:"type,omitempty"`
	Cold      string `json:"cold_junction,omitempty"`
	ColdFixed Real   `json:"cold_junction_degc,omitempty"`
	R0        Real   `json:"r0_ohm,omitempty"`
	MaxAge    int64  `json:"max_age_ns"`
	Rate      Real   `json:"rate_k_per_s"`
}

type auxiliaryCalibration struct {
	Name       string `json:"name"`
	Input      string `json:"input"`
	Unit       string `json:"unit"`
	Polynomial []Real `json:"polynomial,omitempty"`
	Points     []Real `json:"points,omitempty"`
	Transducer []Real `json:"zero_sensitivity_capacity,omitempty"`
}

// Calibration returns the calibration of one source, and its digest: the
// SHA-256 of its JSON in hexadecimal. Only what the source's own results depend
// on is in it, so a change elsewhere leaves the digest alone.
func (p *Plan) Calibration(source string) (Calibration, string, error) {
	s := p.source(source)
	if s == nil {
		return Calibration{}, "", nil
	}
	c := Calibration{Source: source, Input: sourceInput(s.source)}
	for _, e := range s.source.Inputs.Entries {
		in := inputCalibration{Name: e.Name, Unit: e.Value.Unit.Text}
		in.Scale, in.ScaleUnit = Real(e.Value.Scale.Value), e.Value.Scale.Unit
		in.Range, in.RangeUnit = Real(e.Value.Range.Value), e.Value.Range.Unit
		c.Inputs = append(c.Inputs, in)
	}
	uses := make([]bool, len(p.temperatures))
	for _, i := range s.owned {
		uses[i] = true
	}
	for _, ch := range s.channels {
		c.Channels = append(c.Channels, p.channelCalibration(ch))
		use := func(i int) {
			if i >= 0 {
				uses[i] = true
			}
		}
		use(ch.temperature)
		for _, w := range ch.wires {
			use(w.leads)
		}
	}
	for i, t := range p.temperatures {
		if uses[i] && t.cold >= 0 {
			uses[t.cold] = true
		}
	}
	for i, t := range p.temperatures {
		if uses[i] {
			c.Temperatures = append(c.Temperatures, temperatureOf(t))
		}
	}
	for _, r := range s.rosettes {
		rc := rosetteCalibration{Name: r.name}
		for _, g := range r.grids {
			rc.Grids = append(rc.Grids, g.name)
		}
		rosette, _ := p.test.Rosettes.Get(r.name)
		for _, a := range gridAngles(rosette) {
			rc.Angles = append(rc.Angles, Real(a))
		}
		c.Rosettes = append(c.Rosettes, rc)
	}
	for _, a := range s.auxiliary {
		c.Auxiliary = append(c.Auxiliary, auxiliaryOf(a))
	}
	text, err := json.Marshal(c)
	if err != nil {
		return c, "", err
	}
	sum := sha256.Sum256(text)
	return c, hex.EncodeToString(sum[:]), nil
}

func sourceInput(s *testfile.Source) inputCalibration {
	return inputCalibration{
		Unit:  s.Unit.Text,
		Scale: Real(s.Scale.Value), ScaleUnit: s.Scale.Unit,
		Range: Real(s.Range.Value), RangeUnit: s.Range.Unit,
		Excitation:     Real(s.Excitation.Value),
		ExcitationIn:   s.ExcitationIn.Text,
		WarmUp:         Real(s.WarmUp.Value),
		ClockTolerance: Real(s.ClockTolerance.Value),
		ClockAhead:     Real(s.ClockAhead.Value),
		Rate:           Real(s.Rate.Value),
		LoggerFactor:   Real(s.Logger.GaugeFactor.Value),
		LoggerBridge:   Real(s.Logger.BridgeFactor.Value),
		Linearised:     s.Logger.Linearised.Value,
		LoggerSign:     s.Logger.Sign.Text,
	}
}

func (p *Plan) channelCalibration(ch *channelPlan) channelCalibration {
	c := channelCalibration{Name: ch.name}
	if ch.temperature >= 0 {
		c.Temperature = p.temperatures[ch.temperature].name
	}
	if z := ch.zero; z.Given {
		c.Zero = &zeroCalibration{
			Ratio:           Real(z.Ratio.Value),
			Temperature:     Real(z.Temperature.Value),
			LeadTemperature: Real(z.LeadTemperature.Value),
			First:           Real(z.First.Value),
			From:            instant(z.From),
			To:              instant(z.To),
		}
	}
	for _, w := range ch.wires {
		l := &w.limit
		leadsAt := ""
		if w.leads >= 0 {
			leadsAt = p.temperatures[w.leads].name
		}
		c.Wires = append(c.Wires, wireCalibration{
			Input: w.key, From: w.from, To: w.to, Constants: w.constants, LeadsAt: leadsAt,
			Judged: judgedBy{
				Strain: Real(l.strain), Elongation: Real(l.elongation), Yield: Real(l.yield),
				PolynomialLow: Real(l.polynomialLow), PolynomialHigh: Real(l.polynomialHigh),
				AdhesiveLow: Real(l.adhesiveLow), AdhesiveHigh: Real(l.adhesiveHigh),
				CuredAt: w.curedAt, Broken: w.broken, Unsigned: w.unsigned, Settling: w.settling,
				Excitation: Real(ch.limits.Excitation.Value),
			},
		})
	}
	for _, b := range ch.predictions {
		c.Predictions = append(c.Predictions, bandCalibration{b.step, Real(b.low), Real(b.high)})
	}
	return c
}

func instant(t testfile.Time) string {
	if !t.Given {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

func temperatureOf(t *temperaturePlan) temperatureCalibration {
	return temperatureCalibration{
		Name: t.name, Input: t.temperature.Input.Text,
		Sensor: t.temperature.Sensor.Or("degC"), Type: t.temperature.Type.Text,
		Cold: t.temperature.ColdJunction.Text, ColdFixed: Real(t.temperature.ColdFixed.Value),
		R0: Real(t.temperature.R0.Value), MaxAge: t.maxAge, Rate: Real(t.rate),
	}
}

func auxiliaryOf(a *auxiliaryPlan) auxiliaryCalibration {
	c := auxiliaryCalibration{Name: a.name, Input: a.auxiliary.Input.Text, Unit: a.auxiliary.Unit.Text}
	for _, q := range a.auxiliary.Polynomial {
		c.Polynomial = append(c.Polynomial, Real(q.Value))
	}
	for _, p := range a.auxiliary.Points {
		c.Points = append(c.Points, Real(p.Raw.Value), Real(p.Value.Value))
	}
	if a.auxiliary.Sensitivity.Given {
		c.Transducer = []Real{Real(a.auxiliary.ZeroReading.Value), Real(a.auxiliary.Sensitivity.Value), Real(a.auxiliary.Capacity.Value)}
	}
	return c
}
