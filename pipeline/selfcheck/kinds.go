package selfcheck

// kinds are what a case can be about: each takes its inputs, complains about
// those that are missing, wrong or unknown, and computes all it can.
var kinds = map[string]func(*inputs) (results, error){
	"channel":          channelCase,
	"rosette channels": rosetteChannelsCase,
	"series":           seriesCase,
	"rosette":          rosetteCase,
	"plane strain":     planeStrainCase,
	"principal stress": principalStressCase,
	"rainflow":         rainflowCase,
	"thermocouple":     thermocoupleCase,
	"pt100":            pt100Case,

	"bridge":                   bridgeCase,
	"quarter bridge":           quarterCase,
	"shunt":                    shuntCase,
	"copper wire":              wireCase,
	"thermal output":           thermalOutputCase,
	"gauge factor":             gaugeFactorCase,
	"transverse sensitivity":   transverseCase,
	"strain transform":         transformCase,
	"damage":                   damageCase,
	"statistics":               statisticsCase,
	"polynomial fit":           polynomialFitCase,
	"allan deviation":          allanCase,
	"allan deviation sequence": allanSequenceCase,
	"drift":                    driftCase,
	"butterworth":              butterworthCase,
}

// units of the results as a case writes them
const (
	inStrain = "strain"
	inPascal = "Pa"
	inMPa    = "MPa"
	inOhm    = "ohm"
	inDegC   = "degC"
	inMV     = "mV"
	inRatio  = "V/V"
	pureUnit = "1"
)
