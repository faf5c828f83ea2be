// Package channel puts the corrections of one channel in their fixed order:
// ratio to strain to stress. It is the only place that knows that order; the
// formulas themselves are in the packages reduce and compensate.
//
// The order is: change of ratio times span, solution of the bridge (which takes
// out its nonlinearity and the leads), thermal output as a resistance change,
// gauge factor at temperature, transverse sensitivity. Arms of a bridge are
// linear in strain, so all but the first are one closed form.
package channel
