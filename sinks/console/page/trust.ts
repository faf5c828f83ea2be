// Trust: every channel, those first that somebody has to look at.
import { Test, get, carryOut, me } from "./api";
import { h, s, failed, table, empty } from "./dom";
import { Said, badge, refresh, standing } from "./health";
import { text } from "./units";

const order = ["false", "doubt", "unknown", "sound"];

export function trust(test: Test, into: HTMLElement, first?: string): () => void {
  const list = h("div"), one = h("div");
  into.append(h("h1", {}, "Trust"), h("div", { class: "split" }, h("div", { class: "card" }, list), one));
  let chosen = first ?? "";
  async function show() {
    try {
      const t = await refresh();
      const said = new Map((t.channels as Said[]).map((c) => [c.channel, c]));
      const all = test.channels.map((c) => ({ name: c.name, now: standing(test, c.name), d: said.get(c.name) }));
      const rank = new Map((t.channels as Said[]).map((c, i) => [c.channel, i]));
      all.sort((a, b) => order.indexOf(a.now.kind) - order.indexOf(b.now.kind) || (rank.get(a.name) ?? 1e6) - (rank.get(b.name) ?? 1e6));
      list.replaceChildren(table("Channels by need of attention", ["channel", "says", "since", "moved", "noise"],
        all.map((r) => [h("button", { type: "button", click: () => { chosen = r.name; detail(said.get(chosen)); } }, r.name), badge(r.now), r.d?.since ?? "", text(r.d?.moved_strain, "m/m"), text(r.d?.noise_strain, "m/m")]), [3, 4]),
        h("p", { class: "soft" }, (t.groups ?? []).map((g: any) => g.error ? `${g.group}: ${g.error}` : `${g.group}: known up to ${g.up_to || "nothing yet"}`).join("; ")));
      if (!one.children.length) detail(said.get(chosen));
    } catch (e) { list.replaceChildren(failed(e)); }
  }
  async function detail(d?: Said) {
    if (!d) { one.replaceChildren(empty(chosen ? `Nothing is said of ${chosen} yet.` : "Choose a channel to see causes, evidence and what would decide.")); return; }
    const plot = h("div"), answer = h("div");
    const note = h("input", { type: "text", "aria-label": "Note" }) as HTMLInputElement, who = h("input", { type: "text", "aria-label": "Your name", value: me.who, readonly: me.who !== "" }) as HTMLInputElement;
    one.replaceChildren(h("div", { class: "card" }, h("h2", {}, d.channel), h("p", {}, badge(standing(test, d.channel)), d.certainty ? ` ${d.certainty}` : "", d.since ? ` since ${d.since}` : ""),
      h("p", {}, d.meaning ?? ""), d.decide ? h("p", {}, h("strong", {}, "What would decide: "), d.decide) : null,
      ...(d.ranked ?? []).map((c) => h("details", {}, h("summary", {}, `${c.cause}, ${c.certainty}`), h("ul", {}, ...c.for.map((x) => h("li", {}, "for: " + x)), ...c.against.map((x) => h("li", {}, "against: " + x))), h("p", {}, "Decide by: " + c.decide))),
      plot, h("p", {}, `Cycles ${d.cycles}; shunt checks ${(d.shunts ?? []).length}; insulation readings ${(d.insulation ?? []).length}.`),
      h("p", {}, h("a", { href: "#traces/" + encodeURIComponent(d.channel) }, "Its traces")),
      me.role === "operator" ? h("div", {}, h("h2", {}, "Acknowledge"), h("div", { class: "row" }, h("label", {}, h("span", {}, "Who"), who), h("label", {}, h("span", {}, "What you make of it"), note),
        h("button", { type: "button", click: () => carryOut("note", { text: "seen: " + note.value, channels: d.channel, who: who.value }, answer) }, "Acknowledge")), answer) : null));
    try {
      const full = await get("trust", { channel: d.channel });
      const p = full.evidence?.points;
      if (p?.time?.length > 1) plot.replaceChildren(evidence(p.time, p.rest_strain), h("p", { class: "soft" }, `Strain at rest from the installation zero; with temperature: ${full.evidence.temperature?.strain_per_kelvin == null ? "not known" : (full.evidence.temperature.strain_per_kelvin * 1e6).toFixed(2) + " µm/m per K"}.`));
    } catch { /* the verdict stands without its plot */ }
  }
  void show();
  const timer = setInterval(show, 5000);
  return () => clearInterval(timer);
}

function evidence(t: number[], v: (number | null)[]): SVGElement {
  const known = v.filter((x): x is number => x !== null), lo = Math.min(...known, 0), hi = Math.max(...known, 1e-6), W = 420, H = 150;
  const x = (k: number) => 50 + ((t[k] - t[0]) / (t[t.length - 1] - t[0] || 1)) * (W - 60), y = (a: number) => 10 + ((hi - a) / (hi - lo || 1)) * (H - 30);
  return s("svg", { class: "plot", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `Strain at rest, ${text(lo, "m/m")} to ${text(hi, "m/m")}` },
    s("line", { class: "grid", x1: 50, x2: W - 10, y1: y(0), y2: y(0) }), s("text", { x: 2, y: 16 }, text(hi, "m/m").replace(" µm/m", "")), s("text", { x: 2, y: H - 18 }, text(lo, "m/m").replace(" µm/m", "")), s("text", { x: 50, y: H - 2 }, "µm/m"),
    s("polyline", { class: "up", points: v.map((a, k) => (a === null ? "" : `${x(k).toFixed(1)},${y(a).toFixed(1)}`)).join(" ") }));
}
