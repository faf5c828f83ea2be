package compensate

// Response returns the indicated strain (relative resistance change over gauge
// factor) of a grid that sees the given strains along and across its axis,
//
//	(axial + Kt transverse) / (1 - nu0 Kt),
//
// Kt being the transverse sensitivity as a fraction and nu0 Poisson's ratio of
// the beam on which the gauge factor was found. With strains per unit of the
// reported quantity it is the response factor m of an arm.
func Response(axial, transverse, kt, poissonCalibration float64) float64 {
	return (axial + kt*transverse) / (1 - poissonCalibration*kt)
}

// UniaxialResponse returns the response factor of a grid along the stress of a
// uniaxially stressed specimen of the given Poisson's ratio. It is 1 on the
// material of the calibration beam, whatever Kt.
func UniaxialResponse(poisson, kt, poissonCalibration float64) float64 {
	return Response(1, -poisson, kt, poissonCalibration)
}

// RatioResponse returns the response factor where the strain across the grid is
// known to be ratio times the strain along it.
func RatioResponse(ratio, kt, poissonCalibration float64) float64 {
	return Response(1, ratio, kt, poissonCalibration)
}
