// Against load: strain over load, rising and falling apart, the prediction's band,
// and the table of steps.
import { Test, Trace, get } from "./api";
import { h, s, choice, field, failed, table, empty } from "./dom";
import { text } from "./units";

export function load(test: Test, into: HTMLElement, first?: string): () => void {
  into.append(h("h1", {}, "Against load"));
  if (!test.load) { into.append(empty("The test file names no load to read strain against.")); return () => {}; }
  const channel = choice(test.channels.map((c) => [c.name, c.name]), first ?? test.predictions[0]?.channel), plot = h("div", { class: "card" }), steps = h("div", { class: "card" });
  into.append(h("div", { class: "row" }, field("channel", "Channel", channel)), plot, steps);
  let asked = 0;
  async function show() {
    const mine = ++asked, name = channel.value;
    plot.replaceChildren(h("p", { class: "soft" }, "Loading.")); steps.replaceChildren();
    try {
      const all = await get("columns");
      const unit = test.quantities.find((q) => q.name === test.load)?.unit ?? "";
      const q = { from: all.first, to: all.last, points: 1500 };
      const [a, b]: Trace[] = await Promise.all([get("trace", { ...q, column: all.columns.find((n: string) => n.startsWith(test.load + " [")) ?? test.load }), get("trace", { ...q, column: `${name} [m/m]` })]);
      const st = await get("steps", { channel: name });
      if (mine !== asked) return;
      plot.replaceChildren(draw(test, name, a, b, unit), h("p", { class: "soft" }, "Solid: load rising. Dashed: falling. Last fifth drawn strong over the earlier cycles. Band: the prediction at its step's load."));
      steps.replaceChildren(st.rows.length ? table("Steps, means over the hold", ["step", "load " + unit, "mean", "predicted", "deviation", "slope a unit", "hysteresis", "back at zero"],
        st.rows.map((r: any) => [r.step, r.load?.toFixed(3) ?? "none", text(r.mean, "m/m"), r.predicted === null ? "" : text(r.predicted, "m/m"), r.deviation === null ? "" : text(r.deviation, "m/m") + (r.outside ? " outside" : ""), text(r.slope, "m/m"), text(r.hysteresis, "m/m"), text(r.return, "m/m")]), [1, 2, 3, 4, 5, 6, 7]) : h("p", { class: "soft" }, "No step was held yet."));
      const band = st.rows.filter((r: any) => r.predicted !== null && r.load !== null);
      plot.replaceChildren(draw(test, name, a, b, unit, band), plot.lastChild!);
    } catch (e) { if (mine === asked) plot.replaceChildren(failed(e)); }
  }
  channel.addEventListener("change", show);
  void show();
  return () => { asked++; };
}

function draw(test: Test, name: string, a: Trace, b: Trace, unit: string, band: any[] = []): SVGElement {
  const at: { l: number; e: number; up: boolean; k: number }[] = [];
  const out = test.flags.filter((f) => f.leaves_out).reduce((m, f) => m | f.bit, 0);
  for (let i = 0, j = 0, before = NaN; j < b.t.length; j++) {
    while (i + 1 < a.t.length && a.t[i + 1] <= b.t[j]) i++;
    const l = a.mean[i], e = b.mean[j];
    if (l === null || l === undefined || e === null || (b.flags[j] & out) !== 0) continue;
    at.push({ l, e, up: !(l < before), k: j / b.t.length });
    before = l;
  }
  if (!at.length) return s("svg", { class: "plot", viewBox: "0 0 800 60", role: "img", "aria-label": "no samples" }, s("text", { x: 10, y: 30 }, "No samples with a load."));
  const l0 = Math.min(...at.map((p) => p.l)), l1 = Math.max(...at.map((p) => p.l)), e0 = Math.min(...at.map((p) => p.e)), e1 = Math.max(...at.map((p) => p.e)), W = 800, H = 380;
  const x = (v: number) => 70 + ((v - l0) / (l1 - l0 || 1)) * (W - 90), y = (v: number) => 15 + ((e1 - v) / (e1 - e0 || 1)) * (H - 60);
  const lines: SVGElement[] = [];
  for (let i = 1, from = 0; i <= at.length; i++) {
    if (i < at.length && at[i].up === at[from].up) continue;
    if (i - from > 1) lines.push(s("polyline", { class: at[from].up ? "up" : "down", opacity: at[from].k > 0.8 ? 1 : 0.35, points: at.slice(Math.max(0, from - 1), i).map((p) => `${x(p.l).toFixed(1)},${y(p.e).toFixed(1)}`).join(" ") }));
    from = i;
  }
  const ticks = (lo: number, hi: number) => [0, 1, 2, 3, 4].map((k) => lo + ((hi - lo) * k) / 4);
  return s("svg", { class: "plot", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `Strain of ${name} over ${test.load}: ${text(e0, "m/m")} to ${text(e1, "m/m")}` },
    ...ticks(e0, e1).flatMap((v) => [s("line", { class: "grid", x1: 70, x2: W - 20, y1: y(v), y2: y(v) }), s("text", { x: 4, y: y(v) + 4 }, text(v, "m/m").replace(" µm/m", ""))]), s("text", { x: 4, y: H - 24 }, "µm/m"),
    ...ticks(l0, l1).map((v) => s("text", { x: x(v) - 12, y: H - 22 }, v.toFixed(2))), s("text", { x: W / 2, y: H - 4 }, `${test.load} ${unit}`),
    ...band.map((r) => s("rect", { class: "band", x: x(r.load) - 10, width: 20, y: y(r.predicted + r.band), height: Math.max(1, y(r.predicted - r.band) - y(r.predicted + r.band)) })), ...lines);
}
