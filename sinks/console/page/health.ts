// Health is a word and a shape; the colour only helps.
import { h, s } from "./dom";
import { Test, get } from "./api";
import { Column, columnsOf, strainOf } from "./live";

export type Standing = "sound" | "doubt" | "false" | "unknown";
export interface Said {
  channel: string; group: string; attention: string; says: string; certainty?: string; since?: string; meaning?: string; decide?: string; disagrees?: string[];
  moved_strain: number | null; slope_change: number | null; noise_strain: number | null; minutes: number; cycles: number;
  ranked: { cause: string; certainty: string; for: string[]; against: string[]; decide: string }[]; shunts?: { time: string; value: number }[]; insulation?: { time: string; value: number }[];
}
export let said = new Map<string, Said>();
export let upTo = "";
export async function refresh(): Promise<any> {
  const t = await get("trust");
  said = new Map((t.channels as Said[]).map((c) => [c.channel, c]));
  upTo = (t.groups ?? []).map((g: any) => g.up_to ?? "").sort().pop() ?? "";
  return t;
}

const shapes: Record<Standing, () => SVGElement> = {
  sound: () => s("circle", { cx: 8, cy: 8, r: 6, fill: "currentColor" }),
  doubt: () => s("path", { d: "M8 1L15 14H1z", fill: "currentColor" }),
  false: () => s("path", { d: "M2 2h12v12h-12z M4.5 4.5l7 7M11.5 4.5l-7 7", fill: "none", stroke: "currentColor", "stroke-width": 2.4 }),
  unknown: () => s("circle", { cx: 8, cy: 8, r: 5.5, fill: "none", stroke: "currentColor", "stroke-width": 2, "stroke-dasharray": "3 2" }),
};
export const shape = (k: Standing): SVGElement => shapes[k]();

export function flagNames(test: Test, mask: number): string[] { return test.flags.filter((f) => (mask & f.bit) !== 0).map((f) => f.name); }

// standing puts together what the newest samples carry and what drift says. Of a
// moment of the past, then, only what its samples carry is known.
export function standing(test: Test, of: string, then?: Map<string, Column>): { kind: Standing; word: string } {
  const rosette = test.rosettes.find((r) => r.name === of);
  if (rosette) { // no better than the worst of its grids
    const all = rosette.grids.map((g) => standing(test, g, then));
    for (const kind of ["false", "doubt", "unknown"] as Standing[]) { const i = all.findIndex((x) => x.kind === kind); if (i >= 0) return { kind, word: `${rosette.grids[i]} ${all[i].word}` }; }
  }
  let flags = 0, heard = false;
  for (const c of columnsOf(of, then)) { flags |= c.flags; heard = true; }
  const wrong = test.flags.filter((f) => f.leaves_out && (flags & f.bit) !== 0).map((f) => f.name);
  if (wrong.length) return { kind: "false", word: wrong.join(", ") };
  const d = then ? undefined : said.get(of);
  if (d && (d.attention === "at once" || d.attention === "soon")) return { kind: d.attention === "at once" ? "false" : "doubt", word: d.says };
  const odd = flagNames(test, flags);
  if (odd.length) return { kind: "doubt", word: odd.join(", ") };
  if (then) return { kind: "unknown", word: heard ? "no flag then" : "nothing then" };
  if (!heard && !strainOf(of)) return { kind: "unknown", word: "not heard yet" };
  if (!d && test.channels.some((c) => c.name === of)) return { kind: "unknown", word: "not judged yet" };
  if (d && d.attention === "later") return { kind: "unknown", word: d.says };
  return { kind: "sound", word: "sound" };
}
export const badge = (k: { kind: Standing; word: string }): HTMLElement =>
  h("span", { class: "health " + k.kind }, s("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" }, shape(k.kind)), k.word);
