// The article: each gauge where it sits, a bar along its grid whose length follows
// strain; a rosette as the cross of its principal strains.
import { Drawn, Test, get } from "./api";
import { h, s, empty } from "./dom";
import { badge, shape, standing } from "./health";
import { columnsOf, find, strainOf, watch, columns } from "./live";
import { Then, momentField } from "./moment";
import { text } from "./units";

const draw = (d: Drawn): SVGElement => s(d.tag, d.attributes ?? {}, d.text?.trim() || null, ...(d.children ?? []).map(draw));
const TURNS = 5; // in which the rows of the list are renewed: people read no faster, and a frame is short
const LONGEST = 17; // of a bar's half, in units of the drawing

export function article(test: Test, into: HTMLElement): () => void {
  const chosen = h("div", { class: "card", "aria-live": "polite" }, h("p", { class: "soft" }, "Choose a gauge to see its value, its health and its raw ratio."));
  const rows = new Map<string, { health: HTMLElement; value: HTMLElement }>();
  const names = [...test.channels.map((c) => c.name), ...test.rosettes.map((r) => r.name)];
  const marks = new Map<string, { mark: SVGElement; bar: SVGElement[]; word: SVGElement; group: SVGElement; angle: number }>();
  let picked = "", shownHealth = "", then: Then | undefined;
  const shown = () => then?.columns ?? columns;
  const stands = (name: string) => standing(test, name, then?.columns);

  const pick = (name: string) => {
    picked = name; shownHealth = "";
    for (const [n, m] of marks) m.group.setAttribute("aria-pressed", String(n === name));
    update();
  };
  const details = () => {
    if (!picked) return;
    const now = stands(picked), c = strainOf(picked, shown());
    const key = picked + now.word + (then?.ms ?? "");
    if (key !== shownHealth) {
      shownHealth = key;
      const channel = test.channels.find((x) => x.name === picked);
      const raw = h("p", {});
      const ask = h("button", { type: "button", id: "raw", click: async () => {
        try {
          const at = strainOf(picked, shown())?.at;
          const v = await get("value", { channel: picked, time: new Date(at ?? Date.now()).toISOString() });
          raw.textContent = `Raw ratio ${v.ratio_v_per_v === null ? "none" : (v.ratio_v_per_v * 1e3).toFixed(6) + " mV/V"} at ${v.time}, in ${v.segment}, sample ${v.sample}.`;
        } catch (e) { raw.textContent = (e as Error).message; }
      } }, then ? "Raw ratio of then" : "Raw ratio of the newest finished sample");
      chosen.replaceChildren(h("h2", {}, picked), h("p", {}, badge(now)), h("p", { class: "readout", id: "picked" }),
        h("p", { class: "soft" }, channel ? [channel.at, channel.direction, channel.bridge.replaceAll("_", " "), channel.material].filter(Boolean).join(" · ") : "rosette"),
        h("p", {}, h("a", { href: "#traces/" + encodeURIComponent(picked) }, "Its traces"), " · ", h("a", { href: "#trust/" + encodeURIComponent(picked) }, "Why it is trusted or not")),
        ...(channel ? [ask, raw] : []));
    }
    const out = chosen.querySelector("#picked");
    if (out) out.textContent = c ? text(c.last, c.unit) : rosetteText(picked);
  };
  const rosetteText = (name: string) => ["e1", "e2"].map((k) => k + " " + text(shown().get(`${name} ${k} [m/m]`)?.last, "m/m")).join(", ");

  const list = h("div", { class: "card" }, h("div", { class: "wide", tabindex: 0, role: "region", "aria-label": "All channels" }, h("table", {}, h("caption", {}, "All channels"),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "channel"), h("th", { scope: "col" }, "health"), h("th", { scope: "col", class: "n" }, "strain"))),
    h("tbody", {}, ...names.map((name) => {
      const r = { health: h("td"), value: h("td", { class: test.rosettes.some((x) => x.name === name) ? null : "n" }) };
      rows.set(name, r);
      return h("tr", {}, h("td", {}, h("button", { type: "button", click: () => pick(name) }, name)), r.health, r.value);
    })))));

  let picture: HTMLElement = empty("The test file gives no drawing; the list holds every channel.");
  if (test.drawing) {
    const root = draw(test.drawing);
    root.setAttribute("class", "drawing");
    root.setAttribute("role", "group");
    root.setAttribute("aria-label", "Drawing of the " + test.article);
    for (const [name, at] of Object.entries(test.places)) {
      const channel = test.channels.find((c) => c.name === name || c.position === name);
      const rosette = test.rosettes.some((r) => r.name === name);
      const g = s("g", { class: "gauge unknown", transform: `translate(${at.x} ${at.y})`, "data-name": name });
      if (!channel && !rosette) { // a temperature or another quantity: its value
        const word = s("text", { "text-anchor": "middle" });
        g.append(word);
        marks.set(name, { mark: g, bar: [], word, group: g, angle: 0 });
        root.append(g);
        continue;
      }
      const angle = at.angle ?? channel?.angle ?? 0;
      const bars = (rosette ? [0, 1] : [0]).map(() => s("line", { class: "bar", x1: 0, x2: 0, y1: 0, y2: 0 }));
      const mark = s("g", { class: "mark", transform: "translate(-15 -4.4) scale(.42)" });
      const word = s("text", { class: "name", x: -7, y: 1.8 - 0.2 }, name);
      const turned = s("g", { transform: `rotate(${(-angle * 180) / Math.PI})` }, rosette ? null : s("line", { class: "axis", x1: -LONGEST, x2: LONGEST, y1: 0, y2: 0 }), ...bars);
      const label = s("g", { transform: Math.abs(Math.sin(angle)) > 0.7 && !rosette ? "translate(11 0)" : "translate(0 -5)" }, mark, word);
      g.append(s("rect", { class: "hit", x: -18, y: -12, width: 42, height: 22, rx: 2 }), turned, label);
      g.setAttribute("tabindex", "0");
      g.setAttribute("role", "button");
      g.setAttribute("aria-pressed", "false");
      g.addEventListener("click", () => pick(name));
      g.addEventListener("keydown", (e) => { const k = (e as KeyboardEvent).key; if (k === "Enter" || k === " ") { e.preventDefault(); pick(name); } });
      marks.set(name, { mark, bar: bars, word, group: g, angle });
      root.append(g);
    }
    picture = h("div", { class: "card" }, h("div", { class: "wide" }, root as unknown as Node), h("p", { class: "soft" },
      `A bar lies along the grid. Solid orange is tension, blue compression; its half length is ${text(test.full_strain, "m/m")}. A cross shows the principal strains of a rosette.`));
  }

  const kinds = new Map<string, string>();
  const listed = [...rows];
  let turn = 0;
  function update(part = listed) {
    for (const [name, m] of marks) {
      if (!m.bar.length) {
        const c = columnsOf(name, shown())[0];
        m.word.textContent = name + (c ? " " + text(c.last, c.unit) : "");
        continue;
      }
      const now = stands(name);
      if (kinds.get(name) !== now.word) {
        kinds.set(name, now.word);
        m.mark.replaceChildren(shape(now.kind));
        m.group.setAttribute("class", "gauge " + now.kind);
        m.group.setAttribute("aria-label", `${name}, ${now.word}`);
        m.word.textContent = now.kind === "false" ? `${name} ${now.word.split(",")[0]}` : name; // the shape and the list say the rest
      }
      const set = (bar: SVGElement, v: number | undefined, across: boolean) => {
        const length = Number.isFinite(v) ? Math.max(-1, Math.min(1, v! / test.full_strain)) * LONGEST : 0;
        bar.setAttribute("class", "bar " + (length < 0 ? "push" : "pull"));
        bar.setAttribute(across ? "y1" : "x1", String(-Math.abs(length)));
        bar.setAttribute(across ? "y2" : "x2", String(Math.abs(length)));
      };
      if (m.bar.length === 1) set(m.bar[0], strainOf(name, shown())?.last, false);
      else {
        const turn = shown().get(`${name} angle [rad]`)?.last ?? 0;
        m.bar[0].parentElement!.setAttribute("transform", `rotate(${(-turn * 180) / Math.PI || 0})`);
        set(m.bar[0], shown().get(`${name} e1 [m/m]`)?.last, false);
        set(m.bar[1], shown().get(`${name} e2 [m/m]`)?.last, true);
      }
    }
    for (const [name, r] of part) {
      const now = stands(name);
      if (r.health.dataset.word !== now.word) { r.health.dataset.word = now.word; r.health.replaceChildren(badge(now)); }
      const c = strainOf(name, shown());
      const value = c ? text(c.last, c.unit) : find(name, "rosette", shown()) || shown().has(`${name} e1 [m/m]`) ? rosetteText(name) : "none";
      if (r.value.textContent !== value) r.value.textContent = value;
    }
    details();
  }
  into.append(h("h1", {}, "The article"), momentField((t) => { then = t; update(); }), h("div", { class: "split" }, picture, h("div", {}, chosen, list)));
  update();
  return watch(() => { turn = (turn + 1) % TURNS; update(listed.filter((_, i) => i % TURNS === turn)); });
}
