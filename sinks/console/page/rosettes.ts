// Rosettes: the state of strain in the plane as a circle, live or at a past moment,
// and how well its principal strains and stresses are known.
import { Rosette, Test, get } from "./api";
import { h, s, empty } from "./dom";
import { columns, strainOf, watch } from "./live";
import { Then, momentField } from "./moment";
import { text } from "./units";

const parts: [string, string][] = [["ex", "m/m"], ["ey", "m/m"], ["gxy", "m/m"], ["e1", "m/m"], ["e2", "m/m"], ["gmax", "m/m"], ["angle", "rad"], ["s1", "Pa"], ["s2", "Pa"], ["von Mises", "Pa"], ["Tresca", "Pa"]];
interface Known { values: { name: string; unit: string; value: number | null; expanded: number | null; largest: string }[]; in: string[]; out: string[]; bends: boolean }

export function rosettes(test: Test, into: HTMLElement): () => void {
  into.append(h("h1", {}, "Rosettes"));
  if (!test.rosettes.length) { into.append(empty("This test has no rosette.")); return () => {}; }
  let then: Then | undefined, gone = false;
  const value = (name: string) => (then?.columns ?? columns).get(name)?.last ?? NaN;
  const cards = test.rosettes.map((r) => {
    const picture = h("div"), budget = h("p", { class: "soft" }), cells = parts.map(() => h("td", { class: "n" })), wide = parts.map(() => h("td", { class: "n" }));
    const card = h("div", { class: "card", "data-rosette": r.name }, h("h2", {}, `${r.name} (${r.form}: ${r.grids.join(", ")})`), picture,
      h("table", {}, h("caption", {}, "Change since the zero in force"), h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "quantity"), h("th", { scope: "col", class: "n" }, "value"), h("th", { scope: "col", class: "n" }, "± (k = 2)"))),
        h("tbody", {}, ...parts.map(([p], i) => h("tr", { "data-part": p }, h("th", { scope: "row" }, p), cells[i], wide[i])))), budget);
    let asking = false, again = false;
    async function known() {
      const strains = r.grids.map((g) => strainOf(g, then?.columns ?? columns)?.last ?? NaN), of = then;
      if (asking) { again = true; return; }
      if (strains.some((e) => !Number.isFinite(e))) { wide.forEach((c) => (c.textContent = "")); budget.textContent = "A grid has no value: nothing is said of how well it is known."; return; }
      asking = true;
      try {
        const k: Known = await get("rosette", { name: r.name, strains: strains.join(","), ...(then ? { time: then.ms } : {}) });
        if (gone || of !== then) return;
        parts.forEach(([p], i) => { const v = k.values.find((x) => x.name === p); wide[i].textContent = v && v.expanded !== null ? "± " + text(v.expanded, v.unit) : ""; wide[i].title = v?.largest ? "mostly: " + v.largest : ""; });
        budget.textContent = `First order (JCGM 100), with k = 2: about 95 % where what is left out is small. In it: ${k.in.join(", ") || "nothing, since nothing is stated"}. Not in it: ${k.out.join(", ")}.` + (k.bends ? " e1 and e2 are nearly equal: their axis says nothing, and neither do the ± of their difference." : "");
      } catch (e) { budget.textContent = (e as Error).message; } finally { asking = false; if (again && !gone) { again = false; void known(); } }
    }
    return { card, show() { picture.replaceChildren(circle(r, value)); parts.forEach(([p, u], i) => { cells[i].textContent = text(value(`${r.name} ${p} [${u}]`), u); }); }, known };
  });
  const show = () => cards.forEach((c) => c.show()), known = () => cards.forEach((c) => void c.known());
  into.append(momentField((t) => { then = t; show(); known(); }), h("div", { class: "cards" }, ...cards.map((c) => c.card)));
  show(); known();
  let before = 0;
  const stop = watch(() => { if (!then && performance.now() - before > 250) { before = performance.now(); show(); } });
  const timer = setInterval(() => { if (!then) known(); }, 2000);
  return () => { gone = true; stop(); clearInterval(timer); };
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
