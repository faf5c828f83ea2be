// A moment of the past that a view shows instead of now, from the finished files.
import { get } from "./api";
import { h, failed } from "./dom";
import { Column, columns } from "./live";
import { moment } from "./units";

export interface Then { ms: number; columns: Map<string, Column> }

// momentField is where somebody writes a time; changed is told what was found, and
// nothing for now.
export function momentField(changed: (then?: Then) => void): HTMLElement {
  const input = h("input", { type: "text", id: "when", placeholder: "now", size: 26 }) as HTMLInputElement;
  const said = h("p", { class: "soft", role: "status", id: "then" });
  const now = h("button", { type: "button", click: () => { input.value = ""; void look(); } }, "Now");
  let asked = 0;
  async function look() {
    const mine = ++asked, text = input.value.trim();
    said.replaceChildren();
    if (!text) return changed();
    try {
      const ms = Date.parse(text.replace(/^(\d{4}-\d\d-\d\d) /, "$1T"));
      if (Number.isNaN(ms) || !/(z|[+-]\d\d:?\d\d)$/i.test(text)) throw new Error("Write a time with its zone, for example 2026-05-04T06:00:00Z.");
      const all = await get("moment", { time: ms });
      if (mine !== asked) return;
      const found = new Map<string, Column>();
      for (const [name, v] of Object.entries(all) as [string, { value: number | null; flags: number; ms: number }][]) {
        const known = columns.get(name), value = v.value ?? NaN;
        const [, of, unit] = /^(.*) \[([^\]]*)\]$/.exec(name) ?? [name, name, ""];
        found.set(name, { name, of: known?.of ?? of, quantity: known?.quantity ?? (unit === "m/m" ? "strain" : ""), unit: known?.unit ?? unit, source: known?.source ?? "", min: value, max: value, last: value, flags: v.flags, at: v.ms });
      }
      said.textContent = `Shown as it was at ${moment(ms, true)}, each by its sample nearest to that.`;
      changed({ ms, columns: found });
    } catch (e) { if (mine === asked) { said.replaceChildren(failed(e)); changed(); } }
  }
  input.addEventListener("change", look);
  return h("div", {}, h("div", { class: "row" }, h("label", {}, h("span", {}, "Moment, with its zone; empty for now"), input), now), said);
}
