// Traces: chosen columns against time, from the first day to now, down to single
// samples.
import uPlot from "uplot";
import { Test, Trace, get } from "./api";
import { h, field, choice, failed } from "./dom";
import { columns, watch } from "./live";
import { flagNames } from "./health";
import { moment, shown, text } from "./units";

const light = ["#0b7285", "#c2410c", "#6d28d9", "#2f7d32", "#b0187a", "#7a5c00"], dark = ["#5fd3e6", "#ff9d6b", "#bda4ff", "#86d989", "#ff8fd1", "#e6c65c"];
const MOST = light.length;
// Curves differ by their strokes too: colour is not the only sign.
const strokes = [[], [9, 4], [2, 3], [12, 3, 2, 3], [5, 2], [1, 5]];

// A column of the segments, with its unit in its name.
const unitOf = (name: string) => /\[([^\]]*)\]$/.exec(name)?.[1] ?? "";

// Columns that no segment has are worked back from strain by the server: what a
// channel's bridge read, and what each correction adds. Their names have a colon.
const effects = ["reading, linear bridge", "bridge nonlinearity", "lead wires", "thermal output", "gauge factor at temperature", "transverse sensitivity"];
const partNames = (channel: string) => [`${channel}: raw ratio [V/V]`, ...effects.map((e) => `${channel}: ${e} [m/m]`)];
function partOf(column: string): [channel: string, part: string] {
  const at = column.lastIndexOf(": ");
  return at < 0 ? [column, ""] : [column.slice(0, at), column.slice(at + 2).replace(/ \[.*/, "")];
}
const short = (column: string) => column.replace(/ \[[^\]]*\]$/, "");

export function traces(test: Test, into: HTMLElement, first?: string): () => void {
  const inks = document.documentElement.dataset.theme === "dark" ? dark : light; // the view is made anew when the theme changes
  let all: string[] = [], chosen: string[] = [], whole = { from: 0, to: 0 }, span = { from: 0, to: 0 }, plot: uPlot | undefined, data: Trace[] = [], live = false, events: any[] = [], asked = 0;
  const chips = h("div", { class: "chips", role: "group", "aria-label": "Columns" });
  const chart = h("div", { class: "chart", tabindex: 0, role: "application", "aria-label": "Chart. Left and right move the cursor, plus and minus zoom, page up and down pan, Home shows all, Enter explains the sample." });
  const readout = h("p", { class: "readout", role: "status", id: "readout" }, "No sample under the cursor.");
  const parts = h("div", { id: "parts" });
  const note = h("p", { class: "soft", id: "span" });
  const quantity = choice([["strain", "corrected strain"], ["parts", "raw ratio, each correction's share"], ["stress", "stress"], ["other", "rosettes, temperatures, loads"]], "strain");
  const ofChannel = choice(test.channels.map((c) => [c.name, c.name]), first), ofField = field("of", "Of channel", ofChannel);
  const button = (label: string, f: () => void, id?: string) => h("button", { type: "button", click: f, id }, label);
  const follow = button("Follow", () => { live = !live; follow.setAttribute("aria-pressed", String(live)); if (live) { span = { from: whole.to - 600e3, to: whole.to }; load(); } });
  follow.setAttribute("aria-pressed", "false");

  const group = (name: string) => { const u = unitOf(name); const of = test.channels.some((c) => name.startsWith(c.name + " ")); return of && u === "m/m" ? "strain" : of && u === "Pa" ? "stress" : "other"; };
  const listed = () => (quantity.value === "parts" ? partNames(ofChannel.value) : all.filter((n) => group(n) === quantity.value));
  function showChips() {
    ofField.hidden = quantity.value !== "parts";
    chips.replaceChildren(...listed().map((name) =>
      h("button", { type: "button", "aria-pressed": String(chosen.includes(name)), click: () => {
        chosen = chosen.includes(name) ? chosen.filter((n) => n !== name) : [...chosen, name].slice(-MOST);
        showChips(); load();
      } }, short(name))));
  }
  quantity.addEventListener("change", showChips);
  ofChannel.addEventListener("change", showChips);

  async function load() {
    const mine = ++asked;
    try {
      const points = Math.max(200, Math.min(2000, Math.round(chart.clientWidth)));
      const q = { from: Math.floor(span.from), to: Math.ceil(span.to), points }, made = new Map<string, Promise<any>>();
      const got: Trace[] = await Promise.all(chosen.map(async (column) => {
        const [channel, part] = partOf(column);
        if (!part) return get("trace", { ...q, column });
        if (!made.has(channel)) made.set(channel, get("parts", { ...q, channel }));
        const all = await made.get(channel), v = all.parts.find((p: any) => p.name === part).values;
        return { ...all, min: v, max: v, mean: v };
      }));
      if (mine !== asked) return; // something newer was asked for
      data = got;
      render();
    } catch (e) { if (mine === asked) chart.replaceChildren(failed(e)); }
  }

  function render() {
    if (!chosen.length) { plot?.destroy(); plot = undefined; chart.replaceChildren(h("p", { class: "soft" }, "Choose up to six columns.")); return; }
    // Columns of several sources have times of their own: their union is the axis.
    const tables = data.map((d) => [d.t.map((t) => t / 1000), d.raw ? d.mean : d.min, d.raw ? d.mean : d.max, d.mean]) as uPlot.AlignedData[];
    const joined = uPlot.join(tables) as uPlot.AlignedData;
    const style = getComputedStyle(document.documentElement), ink = style.getPropertyValue("--ink"), line = style.getPropertyValue("--line");
    const series: uPlot.Series[] = [{}], bands: uPlot.Band[] = [], scales: Record<string, uPlot.Scale> = { x: { time: true, range: () => [span.from / 1000, span.to / 1000] } }, axes: uPlot.Axis[] = [{ values: clock, space: 90, stroke: ink, grid: { stroke: line }, ticks: { stroke: line } }];
    chosen.forEach((name, i) => {
      const u = shown(unitOf(name));
      const value = (_: uPlot, v: number) => (v === null ? "" : text(v, unitOf(name)));
      const common = { scale: u.unit, spanGaps: false, points: { show: data[i].raw && data[i].t.length < 400 }, value };
      series.push({ ...common, stroke: inks[i], width: 0.5, points: { show: false } }, { ...common, stroke: inks[i], width: 0.5, points: { show: false } }, { ...common, stroke: inks[i], width: 1.5, dash: strokes[i] });
      bands.push({ series: [3 * i + 2, 3 * i + 1], fill: inks[i] + "44" });
      if (!scales[u.unit]) {
        scales[u.unit] = {};
        axes.push({ scale: u.unit, side: axes.length % 2 ? 3 : 1, stroke: ink, grid: { stroke: line, show: axes.length === 1 }, ticks: { stroke: line }, label: u.unit, size: 62, values: (_: uPlot, v: number[]) => v.map((x) => String(+(x * u.scale).toPrecision(6))) });
      }
    });
    plot?.destroy();
    chart.replaceChildren();
    plot = new uPlot({
      width: Math.max(280, chart.clientWidth), height: Math.max(260, Math.min(620, window.innerHeight * 0.5)), series, bands, scales, axes, legend: { show: false },
      tzDate: (ts) => uPlot.tzDate(new Date(ts * 1e3), test.zone), cursor: { drag: { x: true, y: false, setScale: false } },
      hooks: {
        setSelect: [(u) => { if (u.select.width > 4) go(u.posToVal(u.select.left, "x") * 1e3, u.posToVal(u.select.left + u.select.width, "x") * 1e3); }],
        setCursor: [(u) => tellCursor(u.cursor.idx)],
        draw: [(u) => marks(u)],
      },
    }, joined, chart);
    const raw = data.every((d) => d.raw), rows = data.reduce((n, d) => n + d.rows, 0);
    note.textContent = `${moment(span.from, raw)} to ${moment(span.to, raw)}: ${rows.toLocaleString("en")} samples, ${raw ? "each of them" : "least, mean and greatest of each stretch"}.`;
    note.dataset.raw = String(raw);
  }

  // clock writes the time axis in the test's zone, the date where it changes.
  function clock(_: uPlot, at: number[], _axis: number, _space: number, step: number): string[] {
    let day = "";
    return at.map((t) => {
      const [date, time] = moment(t * 1e3, step < 1).split(" ");
      const own = step >= 86400 ? date : step >= 60 ? time.slice(0, 5) : time;
      const text = step < 86400 && date !== day ? own + "\n" + date : own;
      day = date;
      return text;
    });
  }

  // Events on the time axis, where samples are left out, and what each curve is.
  function marks(u: uPlot) {
    const c = u.ctx;
    c.save();
    for (const e of events) {
      if (e.ms < span.from || e.ms > span.to) continue;
      const x = Math.round(u.valToPos(e.ms / 1000, "x", true));
      c.strokeStyle = "#7a7f8570";
      c.setLineDash([2, 3]);
      c.beginPath(); c.moveTo(x, u.bbox.top); c.lineTo(x, u.bbox.top + u.bbox.height); c.stroke();
    }
    data.forEach((d, i) => d.flags.forEach((f, k) => {
      if (!test.flags.some((x) => x.leaves_out && (f & x.bit) !== 0)) return;
      c.fillStyle = inks[i];
      c.fillRect(u.valToPos(d.t[k] / 1000, "x", true) - 1, u.bbox.top + u.bbox.height - 5 * devicePixelRatio * (i + 1), 3, 4 * devicePixelRatio);
    }));
    const size = devicePixelRatio, style = getComputedStyle(document.documentElement), x = u.bbox.left + 8 * size;
    c.font = `${12 * size}px sans-serif`;
    c.textAlign = "left";
    c.textBaseline = "middle";
    c.lineWidth = 2 * size;
    chosen.forEach((name, i) => {
      const label = `${short(name)}, ${shown(unitOf(name)).unit}`, y = u.bbox.top + (12 + 18 * i) * size;
      c.globalAlpha = 0.8;
      c.fillStyle = style.getPropertyValue("--card");
      c.fillRect(x - 4 * size, y - 9 * size, c.measureText(label).width + 52 * size, 18 * size);
      c.globalAlpha = 1;
      c.setLineDash(strokes[i].map((d) => d * size));
      c.strokeStyle = inks[i];
      c.beginPath(); c.moveTo(x, y); c.lineTo(x + 36 * size, y); c.stroke();
      c.fillStyle = style.getPropertyValue("--ink");
      c.fillText(label, x + 42 * size, y);
    });
    c.restore();
  }

  let under: { name: string; at: number } | undefined;
  function tellCursor(i: number | null | undefined) {
    if (i === null || i === undefined || !plot) return;
    const at = plot.data[0][i] * 1e3;
    const near = events.filter((e) => Math.abs(e.ms - at) < (span.to - span.from) / 200).slice(0, 3).map((e) => e.says);
    const values = chosen.map((name, k) => {
      const d = data[k], j = nearest(d.t, at);
      const flags = j < 0 ? [] : flagNames(test, d.flags[j] >>> 0);
      return j < 0 || Math.abs(d.t[j] - at) > 1 + (span.to - span.from) / 50 ? `${short(name)}: none` : `${short(name)}: ${text(d.mean[j], unitOf(name))}${flags.length ? " (" + flags.join(", ") + ")" : ""}`;
    });
    under = { name: chosen[0], at };
    readout.textContent = [moment(at, true), ...values, ...near].join(" · ");
  }

  // explain: what the sample under the cursor is made of, by its segment.
  async function explain() {
    const channel = under && test.channels.find((c) => under!.name.startsWith(c.name + " ") || under!.name.startsWith(c.name + ": "));
    if (!under || !channel) { parts.replaceChildren(h("p", { class: "soft" }, "Put the cursor on a channel's sample first.")); return; }
    try {
      const v = await get("value", { channel: channel.name, time: new Date(under.at).toISOString() });
      const mv = (x: number | null) => (x === null ? "none" : (x * 1e3).toFixed(7) + " mV/V");
      parts.replaceChildren(h("div", { class: "card" }, h("h2", {}, `${v.channel} at ${v.time}`),
        h("p", { id: "ratio", "data-ratio": v.ratio_v_per_v, "data-time": v.time }, `Raw ratio ${mv(v.ratio_v_per_v)}; strain ${text(v.strain, "m/m")}; segment ${v.segment}, sample ${v.sample}.`),
        h("p", {}, `Gauge ${v.gauge} on ${v.input}; reading ${v.reading ?? "none"} ${v.unit}; temperature ${v.temperature?.degc ?? "none"} °C.`),
        h("table", {}, h("caption", {}, "Each correction's share"), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "effect"), h("th", { scope: "col", class: "n" }, "share"), h("th", { scope: "col", class: "n" }, "so far"))),
          h("tbody", {}, ...(v.shares ?? []).map((x: any) => h("tr", {}, h("td", {}, x.effect), h("td", { class: "n" }, text(x.share, "m/m")), h("td", { class: "n" }, text(x.so_far, "m/m"))))))));
    } catch (e) { parts.replaceChildren(failed(e)); }
  }

  function go(from: number, to: number) {
    const width = Math.max(2, Math.min(to - from, whole.to - whole.from || 1e3)), middle = (from + to) / 2;
    span = { from: Math.max(whole.from - 1, Math.min(middle - width / 2, whole.to - width)), to: 0 };
    span.to = span.from + width + 1;
    load();
  }
  const zoom = (by: number) => { const middle = under && under.at > span.from && under.at < span.to ? under.at : (span.from + span.to) / 2, w = ((span.to - span.from) * by) / 2; go(middle - w, middle + w); };
  const pan = (by: number) => { const w = (span.to - span.from) * by; go(span.from + w, span.to + w); };
  chart.addEventListener("wheel", (e) => { e.preventDefault(); zoom(e.deltaY > 0 ? 1.5 : 1 / 1.5); }, { passive: false });
  chart.addEventListener("keydown", (e) => {
    const step: Record<string, () => void> = {
      ArrowLeft: () => move(-1), ArrowRight: () => move(1), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), PageUp: () => pan(-0.5), PageDown: () => pan(0.5), Home: () => go(whole.from, whole.to), Enter: explain,
    };
    if (step[e.key]) { e.preventDefault(); step[e.key](); }
  });
  function move(by: number) {
    if (!plot) return;
    const n = plot.data[0].length, now = plot.cursor.idx ?? Math.floor(n / 2), i = Math.max(0, Math.min(n - 1, now + by));
    plot.setCursor({ left: plot.valToPos(plot.data[0][i], "x"), top: 20 });
    tellCursor(i);
  }

  const save = (name: string, blob: Blob) => { const a = h("a", { href: URL.createObjectURL(blob), download: name }) as HTMLAnchorElement; a.click(); setTimeout(() => URL.revokeObjectURL(a.href), 1e4); };
  const csv = () => save("traces.csv", new Blob([["time,column,least,mean,greatest,flags", ...data.flatMap((d, i) => d.t.map((t, k) => [new Date(t).toISOString(), JSON.stringify(chosen[i]), d.min[k], d.mean[k], d.max[k], d.flags[k] >>> 0].join(",")))].join("\n") + "\n"], { type: "text/csv" }));
  const png = () => (chart.querySelector("canvas") as HTMLCanvasElement | null)?.toBlob((b) => b && save("traces.png", b));
  const svg = () => {
    const w = 1200, hh = 500, lines = data.map((d, i) => {
      const v = d.mean.filter((x) => x !== null) as number[], lo = Math.min(...v), hi = Math.max(...v);
      const stroke = `fill="none" stroke="${inks[i]}" stroke-dasharray="${strokes[i].join(" ") || "none"}"`;
      return `<polyline ${stroke} points="${d.t.map((t, k) => d.mean[k] === null ? "" : `${(((t - span.from) / (span.to - span.from)) * w).toFixed(1)},${(hh - (((d.mean[k] as number) - lo) / (hi - lo || 1)) * hh).toFixed(1)}`).join(" ")}"/><path ${stroke} stroke-width="2" d="M4 ${16 * i + 12}h36"/><text x="46" y="${16 * (i + 1)}" fill="${inks[i]}">${chosen[i].replace(/[<&]/g, "")}: ${text(lo, unitOf(chosen[i]))} to ${text(hi, unitOf(chosen[i]))}</text>`;
    });
    save("traces.svg", new Blob([`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${w} ${hh}" font-family="sans-serif" font-size="13">${lines.join("")}</svg>`], { type: "image/svg+xml" }));
  };

  into.append(h("h1", {}, "Traces"),
    h("div", { class: "row" }, field("quantity", "Quantity", quantity), ofField, follow, button("All", () => go(whole.from, whole.to), "all"), button("Last hour", () => go(whole.to - 3600e3, whole.to)), button("Zoom in", () => zoom(0.25), "in"), button("Zoom out", () => zoom(4)), button("Earlier", () => pan(-0.5)), button("Later", () => pan(0.5)),
      button("What is this sample made of?", explain, "explain"), button("Save PNG", png), button("Save SVG", svg), button("Save CSV", csv)),
    chips, h("div", { class: "card" }, chart, note, readout), parts);
  void (async () => {
    try {
      const w = await get("columns");
      all = w.columns; whole = { from: w.first, to: w.last }; span = { ...whole };
      if (!all.length) { chart.replaceChildren(h("p", { class: "soft" }, "No file is finished yet. The first ones end after a while, or by glueline steps --now.")); return; }
      chosen = all.filter((n) => first ? n.startsWith(first + " [") || n.startsWith(first + " e1") : group(n) === "strain").slice(0, first ? 2 : 1);
      showChips();
      await load();
      events = await get("events");
      plot?.redraw();
    } catch (e) { chart.replaceChildren(failed(e)); }
  })();
  let before = 0;
  const stop = watch(() => { // live: the newest values are appended to what was read
    if (!live || !plot || performance.now() - before < 250) return;
    before = performance.now();
    chosen.forEach((name, i) => {
      const c = columns.get(name), d = data[i];
      if (!c || !d || !(c.at > (d.t[d.t.length - 1] ?? 0))) return;
      d.t.push(c.at); d.min.push(c.min); d.max.push(c.max); d.mean.push(Number.isFinite(c.last) ? c.last : null); d.flags.push(c.flags);
      span = { from: c.at - 600e3, to: c.at };
    });
    render();
  });
  return () => { stop(); plot?.destroy(); };
}

function nearest(t: number[], at: number): number {
  let low = 0, high = t.length - 1;
  if (high < 0) return -1;
  while (low < high) { const m = (low + high) >> 1; if (t[m] < at) low = m + 1; else high = m; }
  return low > 0 && at - t[low - 1] < t[low] - at ? low - 1 : low;
}
