#!/usr/bin/env python3
"""Reduces raw bridge ratios to strain, independently of the program.

    reduce_numpy.py CONSTANTS.json RAW.csv STRAIN.csv

Python 3 and NumPy only. It shares no code and no formula of the bridge with the
program it checks: every bridge is wired up as the network it is, each lead a
resistor of its own, solved for the voltages by linear equations, and the strain
is found by Newton's method with the derivative taken along an imaginary step.

CONSTANTS.json is a list of channels. RAW.csv has the columns channel (index
into that list), ratio (V/V), gauge_degC, lead_degC; STRAIN.csv repeats channel
and has the strain in m/m.
"""

import csv
import json
import sys

import numpy as np

# What is bonded in arms 1 to 4; "r" is the instrument's fixed resistor.
ROLES = {
    "quarter_2wire": ("along", "r", "r", "r"),
    "quarter_3wire": ("along", "r", "r", "r"),
    "half_dummy": ("along", "dummy", "r", "r"),
    "half_bending": ("along", "minus along", "r", "r"),
    "half_poisson": ("along", "across", "r", "r"),
    "half_opposite_2wire": ("along", "r", "along", "r"),
    "half_opposite_3wire": ("along", "r", "along", "r"),
    "full_bending": ("along", "minus along", "along", "minus along"),
    "full_poisson_axial": ("along", "across", "along", "across"),
    "full_bending_poisson": ("along", "across", "minus across", "minus along"),
    "full_shear": ("shear", "minus shear", "shear", "minus shear"),
}

# The wiring: branches (from, to, element). Elements are "arm1" to "arm4",
# "lead" and "excitation"; the supply is between +E and -E, the meter between
# the instrument's terminals S+ and S-.
TWO_WIRE = [
    ("+E", "a", "lead"), ("a", "b", "arm1"), ("b", "S-", "lead"),
    ("S-", "-E", "arm2"), ("-E", "S+", "arm3"), ("S+", "+E", "arm4"),
]
THREE_WIRE_QUARTER = [
    ("+E", "a", "lead"), ("a", "j", "arm1"), ("j", "S-", "lead"), ("j", "c", "lead"),
    ("c", "-E", "arm2"), ("-E", "S+", "arm3"), ("S+", "+E", "arm4"),
]
WIRING = {
    "quarter_2wire": TWO_WIRE,
    "quarter_3wire": THREE_WIRE_QUARTER,
    "half_opposite_2wire": [
        ("+E", "a", "lead"), ("a", "b", "arm1"), ("b", "S-", "lead"), ("S-", "-E", "arm2"),
        ("-E", "c", "lead"), ("c", "d", "arm3"), ("d", "S+", "lead"), ("S+", "+E", "arm4"),
    ],
    "half_opposite_3wire": [
        ("+E", "a", "lead"), ("a", "j", "arm1"), ("j", "S-", "lead"), ("j", "c", "lead"), ("c", "-E", "arm2"),
        ("-E", "d", "lead"), ("d", "k", "arm3"), ("k", "S+", "lead"), ("k", "e", "lead"), ("e", "+E", "arm4"),
    ],
}
for name in ("half_dummy", "half_bending", "half_poisson"):
    # The second gauge is at the specimen: the wire comes after it.
    WIRING[name] = [
        ("+E", "a", "lead"), ("a", "j", "arm1"), ("j", "S-", "lead"), ("j", "c", "arm2"), ("c", "-E", "lead"),
        ("-E", "S+", "arm3"), ("S+", "+E", "arm4"),
    ]
for name in ("full_bending", "full_poisson_axial", "full_bending_poisson", "full_shear"):
    WIRING[name] = [
        ("+E", "P+", "excitation"), ("P-", "-E", "excitation"),
        ("P+", "S-", "arm1"), ("S-", "P-", "arm2"), ("P-", "S+", "arm3"), ("S+", "P+", "arm4"),
    ]


def branch(wiring, element):
    """Where an element is connected."""
    return next((a, b) for a, b, e in wiring if e == element)


def shunted(channel):
    """The wiring with the shunt resistor in its place."""
    wiring = WIRING[channel["bridge"]]
    location = channel["shunt"]["location"]
    if location == "gauge":
        ends = branch(wiring, "arm1")
    elif location == "completion":
        ends = branch(wiring, "arm2")
    else:
        ends = ("+E", "S-")
    return wiring + [(*ends, "shunt")]


def network_ratio(wiring, ohms):
    """(V(S+) - V(S-)) / supply for many states at once.

    Unknown are the voltage of every node and the current of every branch:
    V(a) - V(b) - R i = 0 for a branch, sum of currents = 0 for a node, so that
    a resistance of zero needs no special case. -E is at 0 and +E at 1 volt.
    """
    nodes = sorted({n for a, b, _ in wiring for n in (a, b)})
    at = {n: i for i, n in enumerate(nodes)}
    size = len(nodes) + len(wiring)
    values = np.broadcast_arrays(*[ohms[e] for _, _, e in wiring])
    matrix = np.zeros(values[0].shape + (size, size), dtype=np.result_type(*values, float))
    right = np.zeros(values[0].shape + (size, 1), dtype=matrix.dtype)
    for k, (a, b, _) in enumerate(wiring):
        row = len(nodes) + k
        # Currents in units of a milliampere keep the equations alike in size.
        matrix[..., row, at[a]] = 1
        matrix[..., row, at[b]] = -1
        matrix[..., row, row] = -values[k] * 1e-3
        matrix[..., at[a], row] = 1
        matrix[..., at[b], row] = -1
    for node, volt in (("+E", 1), ("-E", 0)):
        matrix[..., at[node], :] = 0
        matrix[..., at[node], at[node]] = 1
        right[..., at[node], 0] = volt
    volts = np.linalg.solve(matrix, right)[..., 0]
    return volts[..., at["S+"]] - volts[..., at["S-"]]


def polynomial(coefficients, t):
    return sum(c * t**k for k, c in enumerate(coefficients)) + 0 * t


def gauge_strain(channel, role, u):
    """Relative resistance change over gauge factor of one arm's gauge."""
    nu, kt, nu0 = channel["poisson"], channel["transverse_sensitivity"], channel["calibration_poisson"]
    sign = -1 if role.startswith("minus") else 1
    kind = role.split()[-1]
    if kind == "dummy":
        along, across = 0 * u, 0 * u
    elif kind == "along":
        along, across = u, -nu * u
    elif kind == "across":
        along, across = -nu * u, u
    else:  # pure shear: the principal strains at 45 degrees are half of gamma
        along, across = u / 2, -u / 2
    if channel["bridge"].startswith("quarter") and channel["mode"] == "indicated":
        return along
    if channel["bridge"].startswith("quarter") and channel["mode"] == "ratio":
        across = channel["strain_ratio"] * along
    return sign * (along + kt * across) / (1 - nu0 * kt)


def ohms(channel, u, t, t_lead):
    """The resistance of every element in a state."""
    f = channel["gauge_factor"] * (1 + channel["gauge_factor_slope_per_K"] * (t - channel["gauge_factor_reference_degC"]))
    t0 = channel["zero"]["gauge_degC"]
    kt, nu0 = channel["transverse_sensitivity"], channel["calibration_poisson"]
    curve = channel["thermal_output"]
    thermal = channel["reference_gauge_factor"] * (polynomial(curve, t) - polynomial(curve, t0))
    mismatch = channel["specimen_expansion"] - channel["curve_expansion"]
    thermal = thermal + f * (1 + kt) / (1 - nu0 * kt) * mismatch * (t - t0)
    warm = 1 + channel["lead_tempco"] * (t_lead - 20)
    result = {
        "lead": channel["lead_ohm_20"] * warm,
        "excitation": channel["excitation_ohm_20"] * warm,
        "shunt": channel["shunt"]["ohm"] if channel["shunt"] else 0.0,
    }
    for i, role in enumerate(ROLES[channel["bridge"]]):
        if role == "r":
            result[f"arm{i + 1}"] = channel["completion_ohm"]
        else:
            result[f"arm{i + 1}"] = channel["resistance_ohm"] * (1 + thermal + f * gauge_strain(channel, role, u))
    return result


def reduce_channel(channel, ratio, t, t_lead):
    """The strain of every row of one channel."""
    wiring = WIRING[channel["bridge"]]
    zero = channel["zero"]
    at_zero = ohms(channel, 0.0, zero["gauge_degC"], zero["lead_degC"])
    model_zero = network_ratio(wiring, at_zero)
    gain = channel["polarity"] * channel["span"]
    if channel["shunt"]:
        step = network_ratio(shunted(channel), at_zero) - model_zero
        gain = step / (channel["shunt"]["ratio"] - channel["shunt"].get("before", zero["ratio"]))
    target = gain * (ratio - zero["ratio"]) + model_zero
    u = np.zeros_like(ratio)
    tiny = 1e-30
    for _ in range(50):
        value = network_ratio(wiring, ohms(channel, u + 1j * tiny, t, t_lead))
        change = (value.real - target) * tiny / value.imag
        u = u - change
        if not np.any(np.abs(change) >= 1e-13):  # a missing reading is never larger
            return u
    sys.exit(f"{channel['bridge']}: Newton's method does not settle")


def main():
    constants_name, raw_name, strain_name = sys.argv[1:]
    with open(constants_name, encoding="utf-8") as f:
        channels = json.load(f)
    with open(raw_name, encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    index = np.array([int(r["channel"]) for r in rows])
    columns = [np.array([float(r[c]) for r in rows]) for c in ("ratio", "gauge_degC", "lead_degC")]
    strain = np.full(len(rows), np.nan)
    for i, channel in enumerate(channels):
        mine = index == i
        strain[mine] = reduce_channel(channel, *(c[mine] for c in columns))
    with open(strain_name, "w", encoding="utf-8", newline="") as f:
        out = csv.writer(f)
        out.writerow(["channel", "strain"])
        out.writerows([i, repr(float(u))] for i, u in zip(index, strain))


if __name__ == "__main__":
    main()
