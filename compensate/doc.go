// Package compensate computes what a bonded strain gauge and its wiring do
// besides measuring strain: thermal output, the slope of the gauge factor with
// temperature, transverse sensitivity, lead resistance, and the temperature
// itself from thermocouples and platinum resistors. Its results are the
// numbers that package reduce puts into the arms of a bridge.
//
// Everything is a pure function of its arguments. Temperatures are in degC,
// resistances in ohm, strain in m/m, thermocouple voltages in mV (as the
// reference functions state them), expansion coefficients in 1/K. NaN in gives
// NaN out, and outside a reference function's range the result is NaN.
package compensate
