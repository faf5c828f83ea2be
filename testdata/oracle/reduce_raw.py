#!/usr/bin/env python3
"""Reduces whole raw CSV files of a test, independently of the program.

    reduce_raw.py CONSTANTS.json EVENTS.jsonl EVERY OUT_DIR RAW.csv...

Python 3 and NumPy only. CONSTANTS.json is a list of the sources' calibrations
as the program states them; everything from readings to results is done again
here: units, temperatures, which temperature belongs to a row, zeros, strain (by
reduce_numpy.py: the whole wiring solved, Newton's method), rosettes by least
squares, principal values as eigenvalues.

Strain is computed for every EVERY-th row, and for the rows around every event.
OUT_DIR/SOURCE.csv has their time in ns, sample counter and results, the columns
called as in the program's files. What is missing is an empty field.
"""

import csv
import datetime
import json
import os
import sys

import numpy as np

from reduce_numpy import reduce_channel

# ITS-90 reference functions of thermocouples: the published coefficients.
PUBLISHED = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "published", "published-values.json")
# IEC 60751, industrial platinum resistors.
PLATINUM = (3.9083e-3, -5.775e-7, -4.183e-12)
NO_TEMPERATURE = 20.0


def nanoseconds(text):
    """An instant of ISO 8601 in UTC, to the nanosecond."""
    if not text.endswith("Z"):
        sys.exit(f"time {text!r} is not in UTC")
    whole, _, fraction = text[:-1].partition(".")
    t = datetime.datetime.fromisoformat(whole).replace(tzinfo=datetime.timezone.utc)
    return int(t.timestamp()) * 10**9 + int(fraction.ljust(9, "0"))


class Raw:
    """A raw file: its source, times in ns, and readings by input."""

    def __init__(self, path):
        with open(path, encoding="utf-8", newline="") as f:
            first = f.readline()
            if not first.startswith("# source: "):
                sys.exit(f"{path} does not name its source")
            self.source = first.removeprefix("# source: ").strip()
            rows = list(csv.reader(line for line in f if not line.startswith("#")))
        header = [h.partition(" [") for h in rows[0]]
        self.time = np.array([nanoseconds(r[0]) for r in rows[1:]], dtype=np.int64)
        self.inputs, self.units = {}, {}
        for i, (name, _, unit) in enumerate(header[1:], 1):
            self.inputs[name] = np.array([float(r[i] or "nan") for r in rows[1:]])
            self.units[name] = unit.rstrip("]")


def frame_starts(raw, rate):
    """The first row of the frame that each row is in: a frame closes after
    256 KiB or 50 ms of data, and holds at least one row."""
    row_bytes = 8 * (1 + len(raw.inputs))
    rows = max(1, min(int(rate * 0.050), 256 * 1024 // row_bytes))
    return np.arange(len(raw.time)) // rows * rows




class Thermocouple:
    def __init__(self, kind):
        with open(PUBLISHED, encoding="utf-8") as f:
            cases = json.load(f)["cases"]
        self.table = next(c for c in cases if c["id"] == "tc-coefficients")["expected"][kind]
        self.low = min(r["lo"] for r in self.table["ranges"])
        self.high = max(r["hi"] for r in self.table["ranges"])

    def emf(self, t):
        """The voltage in mV at t degC against 0 degC."""
        result = np.full_like(t, np.nan)
        for r in self.table["ranges"]:
            inside = (t >= r["lo"]) & (t <= r["hi"]) & np.isnan(result)
            value = sum(c * t[inside] ** k for k, c in enumerate(r["c"]))
            if self.table.get("exponential") and r["lo"] >= 0:
                a0, a1, a2 = self.table["exponential"]
                value = value + a0 * np.exp(a1 * (t[inside] - a2) ** 2)
            result[inside] = value
        return result

    def temperature(self, millivolt, cold):
        """By halving the range until nothing is left."""
        target = millivolt + self.emf(cold)
        low, high = np.full_like(target, self.low), np.full_like(target, self.high)
        for _ in range(70):
            middle = (low + high) / 2
            above = self.emf(middle) > target
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        middle = (low + high) / 2
        outside = ~((target >= self.emf(np.array([self.low]))[0]) & (target <= self.emf(np.array([self.high]))[0]))
        return np.where(outside, np.nan, middle)


def platinum_temperature(ohm, r0):
    """By Newton's method, for temperatures from 0 degC on and below."""
    a, b, c = PLATINUM
    t = (ohm / r0 - 1) / a
    for _ in range(50):
        cold = np.where(t < 0, c, 0.0)
        value = 1 + a * t + b * t**2 + cold * (t**4 - 100 * t**3)
        slope = a + 2 * b * t + cold * (4 * t**3 - 300 * t**2)
        t = t - (value - ohm / r0) / slope
    return t


class Temperatures:
    """The readings of every temperature, in degC, with the places of their
    frames in the one order of all frames."""

    def __init__(self, calibrations, raws):
        self.calibration, self.value, self.raw, self.frame, self.kept = {}, {}, {}, {}, {}
        for c in calibrations:
            for t in c.get("temperatures", []):
                self.calibration[t["name"]] = t
        # A thermocouple needs its cold junction first.
        for name, t in sorted(self.calibration.items(), key=lambda item: "cold_junction" in item[1]):
            source, _, wire = t["input"].partition("/")
            raw = raws[source]
            reading, unit = raw.inputs[wire], raw.units[wire]
            if t["sensor"] == "thermocouple":
                if unit != "mV":
                    sys.exit(f"thermocouple {name} in {unit!r}")
                if "cold_junction" in t:
                    if self.raw[t["cold_junction"]] is not raw:
                        sys.exit(f"the cold junction of {name} is on another source")
                    cold = self.value[t["cold_junction"]]
                else:
                    cold = np.full_like(reading, t.get("cold_junction_degc", 0.0))
                value = Thermocouple(t["type"]).temperature(reading, cold)
            elif t["sensor"] == "pt100":
                value = platinum_temperature(reading, t.get("r0_ohm", 0) or 100.0)
            elif unit == "degF":
                value = (reading - 32) * 5 / 9
            else:
                value = reading
            rate = next(c for c in calibrations if c["source"] == source)["input"]["rate_hz"]
            self.value[name], self.raw[name] = value, raw
            self.frame[name] = raw.time[frame_starts(raw, rate)]
            self.kept[name] = self.keep(raw.time, value)

    @staticmethod
    def keep(times, value):
        """The readings that count: not a missing one, and none sooner than
        20 ms after the one before (a sensor is slower than that)."""
        kept, last = [], None
        for i in np.flatnonzero(~np.isnan(value)):
            if last is None or times[i] >= last + 20_000_000:
                kept.append(i)
                last = times[i]
        return np.array(kept, dtype=int)

    def for_rows(self, name, raw, rows, rate, tolerance):
        """For each of rows the newest reading, among those whose frame comes
        before the row's or is the same, that is no later than the row by more
        than the tolerance; the oldest when all are; NaN when there is none."""
        theirs, value, good = self.raw[name], self.value[name], self.kept[name]
        times, frames = theirs.time[good], self.frame[name][good]
        own_frames = raw.time[frame_starts(raw, rate)][rows]
        # Frames are in order of their first time, of one time by the source's name.
        there = np.searchsorted(frames, own_frames, "right" if theirs.source <= raw.source else "left")
        early = np.searchsorted(times, raw.time[rows] + tolerance, "right")
        newest = np.maximum(np.minimum(there, early) - 1, 0)
        result = np.full(len(rows), np.nan)
        result[there > 0] = value[good[newest[there > 0]]]
        return result


def ratios(calibration, raw, wire):
    """Bridge ratio in V/V of every row."""
    reading, unit, source = raw.inputs[wire], raw.units[wire], calibration["input"]
    if unit in ("V", "mV"):
        volts = reading * (1e-3 if unit == "mV" else 1)
        if "excitation_input" in source:
            return volts / raw.inputs[source["excitation_input"].partition("/")[2] or source["excitation_input"]]
        return volts / source["excitation_v"]
    if unit == "count":
        if source["scale_unit"] != "V/V":
            sys.exit("counts of volts are not covered here")
        return reading * source["scale"]
    return reading * {"V/V": 1, "mV/V": 1e-3}[unit]


def zeros_of(events, name, start, end):
    """The zeros of a channel as (end, kind, begin), while a wire serves it."""
    began, list_ = {}, []
    for e in events:
        concerned = ([e["channel"]] if "channel" in e else []) + e.get("channels", [])
        if e["event"] != "zero" or concerned and name not in concerned or not start <= e["ns"] < end:
            continue
        if e["state"] == "begin":
            began[e["kind"]] = e["ns"]
        elif e["kind"] in began:
            list_.append((e["ns"], e["kind"], began.pop(e["kind"])))
    return list_


def description(constants):
    """A channel in the words of reduce_numpy.py."""
    c, shunt = constants, constants["Shunt"]
    if shunt and not shunt["Calibrates"]:
        shunt = None
    if shunt:
        shunt = {"location": ["gauge", "completion", "instrument"][shunt["Location"]], "ohm": shunt["Resistor"],
                 "ratio": shunt["With"], "before": shunt["Before"]}
    return {
        "bridge": c["Layout"]["Name"], "resistance_ohm": c["Resistance"], "completion_ohm": c["Completion"] or c["Resistance"],
        "gauge_factor": c["GaugeFactor"]["Value"], "gauge_factor_reference_degC": c["GaugeFactor"]["Reference"],
        "gauge_factor_slope_per_K": c["GaugeFactor"]["Slope"], "transverse_sensitivity": c["Transverse"],
        "calibration_poisson": c["CalibrationPoisson"], "thermal_output": c["Output"]["Coefficients"] or [0.0],
        "reference_gauge_factor": c["Output"]["ReferenceGaugeFactor"], "curve_expansion": c["Output"]["MaterialExpansion"],
        "specimen_expansion": c["Expansion"], "poisson": c["Poisson"], "mode": ["uniaxial", "indicated", "ratio"][c["Mode"]],
        "strain_ratio": c["StrainRatio"], "lead_ohm_20": c["Leads"]["Ohm20"], "lead_tempco": c["Leads"]["Tempco"],
        "excitation_ohm_20": c["Excitation"]["Ohm20"], "polarity": c["Polarity"], "span": c["Span"], "shunt": shunt,
    }


class Source:
    def __init__(self, calibration, raw, temperatures, events, every):
        self.calibration, self.raw, self.temperatures, self.events = calibration, raw, temperatures, events
        self.rate = calibration["input"]["rate_hz"]
        self.tolerance = round(calibration["input"].get("clock_tolerance_s", 0) * 1e9)
        self.starts = frame_starts(raw, self.rate)
        chosen = set(range(0, len(raw.time), every))
        for e in events:
            at = int(np.searchsorted(raw.time, e["ns"]))
            chosen.update(range(max(0, at - 3), min(len(raw.time), at + 3)))
        self.rows = np.array(sorted(chosen))
        self.columns = {}

    def temperature(self, name, rows):
        if name is None:
            return np.full(len(rows), np.nan)
        return self.temperatures.for_rows(name, self.raw, rows, self.rate, self.tolerance)

    def zero(self, ratio, channel, wire, begin, end):
        """The means of a zero's window; None when nothing was read in it."""
        rows = np.flatnonzero((self.raw.time >= begin) & (self.raw.time < end) & ~np.isnan(ratio))
        if len(rows) == 0:
            return None

        def mean(name):
            t = self.temperature(name, rows)
            return np.mean(t[~np.isnan(t)]) if np.any(~np.isnan(t)) else NO_TEMPERATURE

        return {"ratio": np.mean(ratio[rows]), "gauge_degC": mean(channel.get("temperature")), "lead_degC": mean(channel["wires"][0].get("lead_temperature"))}

    def channel(self, channel):
        if channel.get("zero"):
            sys.exit("zeros stated in a test file are not covered here")
        strain = np.full(len(self.rows), np.nan)
        at = self.raw.time[self.rows]
        for wire in channel["wires"]:
            ratio = ratios(self.calibration, self.raw, wire["input_and_gauge"].partition("|")[0].partition("/")[2])
            taken = []
            for end, kind, begin in zeros_of(self.events, channel["name"], wire["from_ns"], wire["to_ns"]):
                zero = self.zero(ratio, channel, wire, max(begin, wire["from_ns"]), min(end, wire["to_ns"]))
                if zero:
                    taken.append((end, kind, zero))
            # A test zero holds from its end on; an installation zero until the first of them.
            borders = sorted({end for end, _, _ in taken} | {wire["to_ns"]})
            for low, high in zip(borders, borders[1:]):
                done = [z for z in taken if z[0] <= low]
                zero = ([z for z in done if z[1] == "test"] or [z for z in done if z[1] == "installation"])[-1:]
                mine = (at >= max(low, wire["from_ns"])) & (at < high)
                if zero and np.any(mine):
                    strain[mine] = self.strain(channel, wire, zero[0][2], ratio, self.rows[mine])
        self.columns[channel["name"] + " [m/m]"] = strain
        self.stress(channel, channel["wires"][0]["constants"], strain)

    def strain(self, channel, wire, zero, ratio, rows):
        result = np.full(len(rows), np.nan)
        read = ~np.isnan(ratio[rows])
        rows = rows[read]
        gauge, lead = self.temperature(channel.get("temperature"), rows), self.temperature(channel["wires"][0].get("lead_temperature"), rows)
        # Before the first temperature a gauge counts as still at that of its zero.
        gauge = np.where(np.isnan(gauge), zero["gauge_degC"], gauge)
        lead = np.where(np.isnan(lead), zero["lead_degC"], lead)
        result[read] = reduce_channel({**description(wire["constants"]), "zero": zero}, ratio[rows], gauge, lead)
        return result

    def stress(self, channel, c, strain):
        quarter = c["Layout"]["Name"].startswith("quarter")
        if not c["Young"] or quarter and c["Mode"] == 1:
            return
        young, poisson, name = c["Young"], c["Poisson"], channel["name"]
        if c["Layout"]["Name"] == "full_shear":
            self.columns[name + " shear stress [Pa]"] = young / (2 * (1 + poisson)) * strain
            return
        across = c["StrainRatio"] * strain if quarter and c["Mode"] == 2 else -poisson * strain
        along = plane_stress(young, poisson, strain, across, 0 * strain)[0]
        self.columns[name + " stress [Pa]"] = along

    def rosette(self, rosette):
        constants = [next(c for c in self.calibration["channels"] if c["name"] == g)["wires"][0]["constants"] for g in rosette["grids"]]
        matrix = []
        for c, angle in zip(constants, rosette["angles_rad"]):
            # Strains along and across the grid by turning the tensor.
            turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            row = []
            for unit in (np.array([[1, 0], [0, 0]]), np.array([[0, 0], [0, 1]]), np.array([[0, 0.5], [0.5, 0]])):
                turned = turn @ unit @ turn.T
                row.append((turned[0, 0] + c["Transverse"] * turned[1, 1]) / (1 - c["CalibrationPoisson"] * c["Transverse"]))
            matrix.append(row)
        indicated = np.array([self.columns[g + " [m/m]"] for g in rosette["grids"]])
        missing = np.any(np.isnan(indicated), axis=0)
        solution = np.full((3, len(self.rows)), np.nan)
        residual = np.full(len(self.rows), np.nan)
        good = ~missing
        if len(matrix) == 2:
            sys.exit("tee rosettes are not covered here")
        solution[:, good] = np.linalg.lstsq(np.array(matrix), indicated[:, good], rcond=None)[0]
        residual[good] = np.sqrt(np.mean((indicated[:, good] - np.array(matrix) @ solution[:, good]) ** 2, axis=0))
        if len(matrix) == 3:
            residual[good] = 0
        ex, ey, gxy = solution
        tensor = np.array([[ex, gxy / 2], [gxy / 2, ey]]).transpose(2, 0, 1)
        principal = np.full((len(self.rows), 2), np.nan)
        principal[good] = np.linalg.eigvalsh(tensor[good])
        e2, e1 = principal.T
        vectors = np.full((len(self.rows), 2), np.nan)
        vectors[good] = np.linalg.eigh(tensor[good])[1][:, :, 1]
        angle = np.arctan2(vectors[:, 1], vectors[:, 0])
        name = rosette["name"]
        strains = {"ex": ex, "ey": ey, "gxy": gxy, "e1": e1, "e2": e2, "gmax": e1 - e2, "residual": residual}
        for word, values in strains.items():
            self.columns[f"{name} {word} [m/m]"] = values
        self.columns[f"{name} angle [rad]"] = angle
        young, poisson = constants[0]["Young"], constants[0]["Poisson"]
        if not young:
            return
        sx, sy, txy = plane_stress(young, poisson, ex, ey, gxy)
        stresses = np.full((len(self.rows), 2), np.nan)
        stresses[good] = np.linalg.eigvalsh(np.array([[sx, txy], [txy, sy]]).transpose(2, 0, 1)[good])
        self.columns[f"{name} s1 [Pa]"], self.columns[f"{name} s2 [Pa]"] = stresses[:, 1], stresses[:, 0]
        self.columns[f"{name} von Mises [Pa]"] = np.sqrt(sx**2 - sx * sy + sy**2 + 3 * txy**2)
        three = np.array([stresses[:, 0], stresses[:, 1], 0 * stresses[:, 0]])
        self.columns[f"{name} Tresca [Pa]"] = np.max(three, axis=0) - np.min(three, axis=0)

    def others(self):
        for name, raw in self.temperatures.raw.items():
            if raw is self.raw:
                self.columns[name + " [degC]"] = self.temperatures.value[name][self.rows]
        for a in self.calibration.get("auxiliary", []):
            x = self.raw.inputs[a["input"].partition("/")[2]][self.rows]
            if "points" not in a:
                sys.exit(f"{a['name']} is not calibrated by two points")
            x0, y0, x1, y1 = a["points"]
            self.columns[f"{a['name']} [{a['unit']}]"] = y0 + (x - x0) * (y1 - y0) / (x1 - x0)

    def write(self, folder):
        with open(os.path.join(folder, self.calibration["source"] + ".csv"), "w", encoding="utf-8", newline="") as f:
            out = csv.writer(f)
            out.writerow(["time", "sample", *self.columns])
            for i, row in enumerate(self.rows):
                values = [column[i] for column in self.columns.values()]
                out.writerow([self.raw.time[row], row, *("" if np.isnan(v) else repr(float(v)) for v in values)])


def plane_stress(young, poisson, ex, ey, gxy):
    """Hooke's law: the compliance inverted, not written out."""
    compliance = np.array([[1, -poisson, 0], [-poisson, 1, 0], [0, 0, 2 * (1 + poisson)]]) / young
    return np.linalg.solve(compliance, np.array([ex, ey, gxy]))


def main():
    constants_name, events_name, every, folder, *raw_names = sys.argv[1:]
    with open(constants_name, encoding="utf-8") as f:
        calibrations = json.load(f)
    with open(events_name, encoding="utf-8") as f:
        events = [json.loads(line) for line in f if line.strip()]
    for e in events:
        e["ns"] = nanoseconds(e["time"])
    events.sort(key=lambda e: e["ns"])
    raws = {}
    for name in raw_names:
        raw = Raw(name)
        raws[raw.source] = raw
    temperatures = Temperatures(calibrations, raws)
    for c in calibrations:
        source = Source(c, raws[c["source"]], temperatures, events, int(every))
        for channel in c["channels"] or []:
            source.channel(channel)
        for rosette in c.get("rosettes", []):
            source.rosette(rosette)
        source.others()
        source.write(folder)


main()
