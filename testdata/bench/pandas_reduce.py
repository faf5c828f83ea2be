#!/usr/bin/env python3
"""The script that somebody would write for one test instead of using the program.

    pandas_reduce.py CONSTANTS.json NODE.csv CLIMATE.csv OUT.csv

Quarter bridges with three wires, read in mV/V, one temperature logger: every
correction of the program (thermal output, another specimen material, gauge
factor over temperature, leads at their temperature, the bridge's nonlinearity),
zero from the first seconds, strain in microstrain, stress in MPa and a word
whether the row is good. Vectorised: a channel at a time, no loop over rows.
"""

import json
import sys

import numpy as np
import pandas as pd


def main():
    constants, node, climate, out = sys.argv[1:]
    with open(constants) as f:
        c = json.load(f)
    raw = pd.read_csv(node)
    raw["time"] = pd.to_datetime(raw["time"], utc=True)
    temperatures = pd.read_csv(climate)
    temperatures["time"] = pd.to_datetime(temperatures["time"], utc=True)
    # The newest temperature at or before each row.
    joined = pd.merge_asof(raw[["time"]], temperatures, on="time")
    T = joined[c["temperature_column"]].to_numpy()
    zero = (raw["time"] < raw["time"].iloc[0] + pd.Timedelta(seconds=c["zero_seconds"])).to_numpy()
    T0 = T[zero].mean()

    # What is common to all channels: they are of one lot, with leads alike.
    p = np.polynomial.polynomial.Polynomial(c["output"])
    factor = c["gauge_factor"] * (1 + c["gauge_factor_slope"] * (T - c["gauge_factor_temperature"]))
    thermal = c["reference_gauge_factor"] * (p(T) - p(T0)) + factor * c["expansion"] * (T - T0)
    lead = c["lead_ohm"] * (1 + c["lead_tempco"] * (T - 20))
    lead0 = c["lead_ohm"] * (1 + c["lead_tempco"] * (T0 - 20))
    gauge = c["gauge"] * (1 + thermal) + lead
    fixed = c["fixed"] + lead
    slope = c["gauge"] * c["response"] * factor
    model = (c["gauge"] + lead0) / (c["gauge"] + c["fixed"] + 2 * lead0) - 0.5

    columns = {"time": raw["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z", "sample": np.arange(len(raw))}
    for name in raw.columns[1:]:
        ratio = raw[name].to_numpy() * 1e-3
        s = ratio - ratio[zero].mean() + model + 0.5
        strain = (fixed * s - gauge * (1 - s)) / (slope * (1 - s))
        strain[zero] = np.nan
        channel = name.split()[0]
        columns[channel + " [um/m]"] = (strain * 1e6).round(3)
        columns[channel + " stress [MPa]"] = (strain * c["young"] * 1e-6).round(4)
        columns[channel + " flags"] = np.where(np.isnan(strain), "zero-missing", np.where(np.abs(strain) > c["limit"], "over-limit", "ok"))
    pd.DataFrame(columns).to_csv(out, index=False)


if __name__ == "__main__":
    main()
