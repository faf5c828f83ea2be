// Rosettes: the state of strain in the plane as a circle, live or at a past moment.
import { Rosette, Test, get } from "./api";
import { h, s, empty, failed } from "./dom";
import { columns, watch } from "./live";
import { text } from "./units";

const parts: [string, string][] = [["ex", "m/m"], ["ey", "m/m"], ["gxy", "m/m"], ["e1", "m/m"], ["e2", "m/m"], ["gmax", "m/m"], ["angle", "rad"], ["s1", "Pa"], ["s2", "Pa"], ["von Mises", "Pa"], ["Tresca", "Pa"]];

export function rosettes(test: Test, into: HTMLElement): () => void {
  into.append(h("h1", {}, "Rosettes"));
  if (!test.rosettes.length) { into.append(empty("This test has no rosette.")); return () => {}; }
  const when = h("input", { type: "text", id: "when", placeholder: "now" }) as HTMLInputElement, out = h("div", { class: "cards" }), trouble = h("div");
  const past = new Map<string, number>();
  when.addEventListener("change", async () => {
    past.clear(); trouble.replaceChildren();
    if (!when.value.trim()) return update();
    try {
      const at = Date.parse(when.value);
      if (Number.isNaN(at)) throw new Error("write a time with its zone, for example 2026-05-04T06:00:00Z");
      for (const r of test.rosettes) for (const [p, u] of parts) {
        const name = `${r.name} ${p} [${u}]`, t = await get("trace", { column: name, from: at - 5000, to: at + 5000, points: 2000 });
        const i = t.t.reduce((b: number, x: number, k: number) => (b < 0 || Math.abs(x - at) < Math.abs(t.t[b] - at) ? k : b), -1);
        past.set(name, i < 0 ? NaN : t.mean[i] ?? NaN);
      }
    } catch (e) { trouble.replaceChildren(failed(e)); }
    update();
  });
  const value = (name: string) => (when.value.trim() ? past.get(name) : columns.get(name)?.last) ?? NaN;
  into.append(h("div", { class: "row" }, h("label", {}, h("span", {}, "Moment, with its zone; empty for now"), when)), trouble, out);
  function update() {
    out.replaceChildren(...test.rosettes.map((r) => h("div", { class: "card" }, h("h2", {}, `${r.name} (${r.form}: ${r.grids.join(", ")})`), circle(r, value),
      h("table", {}, h("caption", {}, "Change since the zero in force"), h("tbody", {}, ...parts.map(([p, u]) => h("tr", {}, h("th", { scope: "row" }, p), h("td", { class: "n" }, text(value(`${r.name} ${p} [${u}]`), u)))))),
      h("p", { class: "soft" }, "Uncertainty of stress follows its modulus and the grids; glueline reduce prints it a channel."))));
  }
  update();
  let before = 0;
  return watch(() => { if (!when.value.trim() && performance.now() - before > 250) { before = performance.now(); update(); } });
}

function circle(r: Rosette, value: (name: string) => number): SVGElement {
  const e1 = value(`${r.name} e1 [m/m]`), e2 = value(`${r.name} e2 [m/m]`), ex = value(`${r.name} ex [m/m]`), ey = value(`${r.name} ey [m/m]`), g = value(`${r.name} gxy [m/m]`) / 2, angle = value(`${r.name} angle [rad]`);
  const known = Number.isFinite(e1 + e2), middle = (e1 + e2) / 2, radius = (e1 - e2) / 2, reach = known ? Math.max(Math.abs(e1), Math.abs(e2), radius, 1e-6) * 1.25 : 1;
  const x = (v: number) => 150 + (v / reach) * 108, y = (v: number) => 110 + (v / reach) * 108;
  return s("svg", { class: "plot", viewBox: "0 0 300 220", role: "img", "aria-label": known ? `Mohr's circle of ${r.name}: e1 ${text(e1, "m/m")}, e2 ${text(e2, "m/m")}, axis at ${text(angle, "rad")}` : `${r.name} has no value` },
    s("line", { class: "grid", x1: 10, x2: 290, y1: 110, y2: 110 }), s("line", { class: "grid", x1: 150, x2: 150, y1: 5, y2: 215 }), s("text", { x: 262, y: 104 }, "ε"), s("text", { x: 156, y: 214 }, "γ/2"),
    ...(known ? [s("circle", { class: "up", cx: x(middle), cy: 110, r: (radius / reach) * 108 }), s("line", { class: "down", x1: x(ex), y1: y(g), x2: x(ey), y2: y(-g) }), s("circle", { class: "dot", cx: x(e1), cy: 110, r: 3.5 }), s("circle", { class: "dot", cx: x(e2), cy: 110, r: 3.5 }),
      s("text", { x: x(e1) - 8, y: 124 }, "e1"), s("text", { x: x(e2) - 8, y: 124 }, "e2"), s("text", { x: x(ex) + 4, y: y(g) - 4 }, "x"), s("text", { x: x(ey) + 4, y: y(-g) - 4 }, "y")] : [s("text", { x: 120, y: 90 }, "no value")]));
}
