#!/usr/bin/env python3
"""The column kernels in NumPy, to be timed beside the program's own.

    kernels.py FOLDER

The same formulas in the same order, each step one ufunc into an array that was
there before (out=), polynomials by Horner's scheme. The program also looks for
readings that no strain gives and makes them NaN; that is left out here.

FOLDER holds constants.json and the columns NAME.N.f64 as raw float64. Each line
on standard input, "KERNEL N PASSES", is answered by the seconds of processor
time that so many passes took; the result is left in FOLDER as KERNEL.N.numpy.f64.
"""

import json
import pathlib
import sys
import time

import numpy as np


class Columns:
    """Inputs, result and working arrays of one length."""

    def __init__(self, folder, n):
        read = lambda name: np.fromfile(folder / f"{name}.{n}.f64")
        self.ratio, self.temperature, self.leads = read("ratio"), read("temperature"), read("leads")
        self.dst = np.empty(n)
        self.work = [np.empty(n) for _ in range(12)]


def common(c, x):
    """Corrected ratio, thermal resistance change, gauge factor."""
    r, a, f, t = x.work[:4]
    np.subtract(x.ratio, c["zero_ratio"], out=r)
    np.multiply(r, c["gain"], out=r)
    np.add(r, c["zero_model"], out=r)

    c0, c1, c2, c3, c4 = c["output"]
    np.multiply(x.temperature, c4, out=a)
    for coefficient in (c3, c2, c1):
        np.add(a, coefficient, out=a)
        np.multiply(a, x.temperature, out=a)
    np.add(a, c0, out=a)
    np.subtract(a, c["output_at_zero"], out=a)
    np.multiply(a, c["reference_gauge_factor"], out=a)

    np.subtract(x.temperature, c["gauge_factor_temperature"], out=f)
    np.multiply(f, c["gauge_factor_slope"], out=f)
    np.add(f, 1, out=f)
    np.multiply(f, c["gauge_factor"], out=f)

    np.subtract(x.temperature, c["zero_temperature"], out=t)
    np.multiply(t, c["expansion"], out=t)
    np.multiply(t, f, out=t)
    np.add(a, t, out=a)
    return r, a, f


def lead(c, x, out):
    np.subtract(x.leads, 20, out=out)
    np.multiply(out, c["lead_tempco"], out=out)
    np.add(out, 1, out=out)
    return np.multiply(out, c["lead_ohm"], out=out)


def quarter(c, x):
    r, a, f = common(c, x)
    l, p1, p2, t, n = lead(c, x, x.work[4]), x.work[5], x.work[6], x.work[7], x.work[8]
    np.add(a, 1, out=p1)
    np.multiply(p1, c["gauge"], out=p1)
    np.add(p1, l, out=p1)
    np.add(l, c["fixed"], out=p2)
    s = np.add(r, 0.5, out=r)
    np.subtract(1, s, out=t)
    np.multiply(f, c["slopes"][0], out=f)
    np.multiply(f, t, out=f)
    np.multiply(p2, s, out=n)
    np.multiply(p1, t, out=t)
    np.subtract(n, t, out=n)
    np.divide(n, f, out=x.dst)


def half(c, x):
    r, a, f = common(c, x)
    l, p, t, n, d = lead(c, x, x.work[4]), x.work[5], x.work[7], x.work[8], x.work[9]
    np.add(a, 1, out=p)
    np.multiply(p, c["gauge"], out=p)
    np.add(p, l, out=p)
    s = np.add(r, 0.5, out=r)
    np.subtract(1, s, out=t)
    np.multiply(t, c["slopes"][0], out=d)
    np.multiply(s, c["slopes"][1], out=n)
    np.subtract(d, n, out=d)
    np.multiply(d, f, out=d)
    np.multiply(p, s, out=n)
    np.multiply(p, t, out=t)
    np.subtract(n, t, out=n)
    np.divide(n, d, out=x.dst)


def full(c, x):
    """Four gauges with leads in the excitation: the smaller root of a quadratic.

    All arms have the same rest P, and slopes S1 to S4 times F; what can be
    taken together before the columns is.
    """
    r, a, f = common(c, x)
    rx, p, c0, c1, c2, w, v = lead(c, x, x.work[4]), *x.work[5:11]
    s1, s2, s3, s4 = c["slopes"]
    np.multiply(rx, 2, out=rx)
    np.add(a, 1, out=p)
    np.multiply(p, c["gauge"], out=p)
    # c0 = -r (4 P P + 4 rx P)
    np.add(p, rx, out=c0)
    np.multiply(c0, p, out=c0)
    np.multiply(c0, -4, out=c0)
    np.multiply(c0, r, out=c0)
    # c1 = F [P (s1 + s3 - s2 - s4) - r (2 P + rx) (s1 + s2 + s3 + s4)]
    np.multiply(p, 2, out=w)
    np.add(w, rx, out=w)
    np.multiply(w, r, out=w)
    np.multiply(w, s1 + s2 + s3 + s4, out=w)
    np.multiply(p, s1 + s3 - s2 - s4, out=c1)
    np.subtract(c1, w, out=c1)
    np.multiply(c1, f, out=c1)
    # c2 = F F [(s1 s3 - s2 s4) - r (s1 + s2)(s3 + s4)]
    np.multiply(r, -(s1 + s2) * (s3 + s4), out=c2)
    np.add(c2, s1 * s3 - s2 * s4, out=c2)
    np.multiply(c2, f, out=c2)
    np.multiply(c2, f, out=c2)
    # u = -2 c0 / (c1 + sign(c1) sqrt(c1 c1 - 4 c2 c0))
    np.multiply(c2, c0, out=c2)
    np.multiply(c2, 4, out=c2)
    np.multiply(c1, c1, out=v)
    np.subtract(v, c2, out=v)
    np.sqrt(v, out=v)
    np.copysign(v, c1, out=v)
    np.add(v, c1, out=v)
    np.multiply(c0, -2, out=c0)
    np.divide(c0, v, out=x.dst)


def main():
    folder = pathlib.Path(sys.argv[1])
    constants = json.loads((folder / "constants.json").read_text())
    kernels = {"quarter": quarter, "half": half, "full": full}
    columns = {}
    for line in sys.stdin:
        name, n, passes = line.split()
        n, passes = int(n), int(passes)
        if n not in columns:
            columns[n] = Columns(folder, n)
        kernel, c, x = kernels[name], constants[name], columns[n]
        began = time.process_time()
        for _ in range(passes):
            kernel(c, x)
        took = time.process_time() - began
        x.dst.tofile(folder / f"{name}.{n}.numpy.f64")
        print(took, flush=True)


if __name__ == "__main__":
    main()
