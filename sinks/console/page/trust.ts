// Trust: every channel, those first that somebody has to look at.
import { Test, get, carryOut, me } from "./api";
import { h, s, failed, table, empty } from "./dom";
import { Said, badge, refresh, standing } from "./health";
import { moment, text } from "./units";

const order = ["false", "doubt", "unknown", "sound"];

export function trust(test: Test, into: HTMLElement, first?: string): () => void {
  const list = h("div"), one = h("div"), alarms = h("div", { class: "card", id: "alarms" });
  into.append(h("h1", {}, "Trust"), h("div", { class: "split" }, h("div", {}, alarms, h("div", { class: "card" }, list)), one));
  let chosen = first ?? "", shown = "", told = "";
  // What has not changed is left alone: whoever is in it by the keyboard stays there.
  async function show() {
    try {
      const t = await refresh();
      const said = new Map((t.channels as Said[]).map((c) => [c.channel, c]));
      const all = test.channels.map((c) => ({ name: c.name, now: standing(test, c.name), d: said.get(c.name) }));
      const rank = new Map((t.channels as Said[]).map((c, i) => [c.channel, i]));
      all.sort((a, b) => order.indexOf(a.now.kind) - order.indexOf(b.now.kind) || (rank.get(a.name) ?? 1e6) - (rank.get(b.name) ?? 1e6));
      const rows = all.map((r) => [r.name, r.now.kind, r.now.word, r.d?.since ?? "", text(r.d?.moved_strain, "m/m"), text(r.d?.noise_strain, "m/m")]);
      const groups = (t.groups ?? []).map((g: any) => g.error ? `${g.group}: ${g.error}` : `${g.group}: known up to ${g.up_to || "nothing yet"}`).join("; ");
      const key = JSON.stringify([rows, groups]);
      if (key !== shown) {
        shown = key;
        list.replaceChildren(table("Channels by need of attention", ["channel", "says", "since", "moved", "noise"],
          all.map((r, i) => [h("button", { type: "button", click: () => { chosen = r.name; void detail(r.name, said.get(r.name)); } }, r.name), badge(r.now), ...rows[i].slice(3)]), [3, 4]), h("p", { class: "soft" }, groups));
      }
      if (!one.children.length) await detail(chosen, said.get(chosen));
    } catch (e) { shown = ""; list.replaceChildren(failed(e)); }
    try { showAlarms(await get("alarms")); } catch (e) { told = ""; alarms.replaceChildren(failed(e)); }
  }

  // showAlarms lists those that are there, each with what to do and who was told.
  function showAlarms(r: any) {
    const all = (r.groups ?? []).flatMap((g: any) => g.alarms.map((a: any) => ({ ...a, group: g.group })));
    const key = JSON.stringify([all, r.warning, (r.groups ?? []).map((g: any) => [g.error, g.mutes])]);
    if (key === told) return;
    told = key;
    alarms.replaceChildren(h("h2", {}, "Alarms"), h("p", { class: "soft" }, r.notice ?? ""),
      ...(r.warning ? [h("p", {}, "Warning: " + r.warning)] : []),
      ...(r.groups ?? []).filter((g: any) => g.error).map((g: any) => h("p", {}, `${g.group}: ${g.error}`)),
      ...(r.groups ?? []).flatMap((g: any) => g.mutes.map((m: any) => h("p", {}, `Muted: ${m.what} until ${m.until}, by ${m.who}: ${m.why}`))),
      ...(all.length ? all.map(alarm) : [h("p", {}, "No alarm.")]));
  }
  function alarm(a: any): HTMLElement {
    const kind = a.state === "acknowledged" ? "unknown" : a.level === "danger" ? "false" : "doubt", answer = h("div");
    const who = named("Who", me.who, me.who !== ""), why = named("Why");
    return h("section", { class: "card", "aria-label": "Alarm " + a.alarm, "data-alarm": a.alarm }, h("p", {}, badge({ kind, word: `${a.level}, ${a.state}` }), ` ${a.alarm} since ${a.since}`), h("p", {}, a.text),
      a.action ? h("p", {}, h("strong", {}, "What to do: "), a.action) : null,
      h("p", { class: "soft" }, a.told.length ? "Told: " + a.told.map((t: any) => t.who).join(", ") + "." : "Nobody was told.", a.next ? ` Next: ${a.next.who}.` : "", a.acknowledged ? ` Acknowledged by ${a.acknowledged.who}: ${a.acknowledged.why}.` : ""),
      me.role === "operator" && a.state !== "acknowledged" ? h("div", {}, h("div", { class: "row" }, who.label, why.label, h("button", { type: "button", click: () => carryOut("acknowledge", { alarm: a.alarm, level: a.level, who: who.input.value, why: why.input.value }, answer, () => { void show(); }) }, "Answer for it")), answer) : null);
  }

  async function detail(name: string, d?: Said) {
    if (!name) { one.replaceChildren(empty("Choose a channel to see causes, evidence and what would decide.")); return; }
    const plot = h("div"), answer = h("div"), more = h("div", { id: "zeros" });
    const note = named("What you make of it"), who = named("Who", me.who, me.who !== "");
    one.replaceChildren(h("div", { class: "card" }, h("h2", {}, name), h("p", {}, badge(standing(test, name)), d?.certainty ? ` ${d.certainty}` : "", d?.since ? ` since ${d.since}` : ""),
      ...(d ? [h("p", {}, d.meaning ?? ""), d.decide ? h("p", {}, h("strong", {}, "What would decide: "), d.decide) : null,
        ...(d.ranked ?? []).map((c) => h("details", {}, h("summary", {}, `${c.cause}, ${c.certainty}`), h("ul", {}, ...c.for.map((x) => h("li", {}, "for: " + x)), ...c.against.map((x) => h("li", {}, "against: " + x))), h("p", {}, "Decide by: " + c.decide))),
        plot, h("p", {}, `Cycles ${d.cycles}; noise ${text(d.noise_strain, "m/m")}; insulation readings ${(d.insulation ?? []).length}.`)] : [h("p", { class: "soft" }, "Nothing is said of its drift yet: that takes an hour of data.")]),
      h("p", {}, h("a", { href: "#traces/" + encodeURIComponent(name) }, "Its traces")), more,
      me.role === "operator" ? h("div", {}, h("h2", {}, "Acknowledge"), h("div", { class: "row" }, who.label, note.label,
        h("button", { type: "button", id: "seen", click: () => carryOut("note", { text: "seen: " + note.input.value, channels: name, who: who.input.value }, answer) }, "Acknowledge")), answer) : null));
    try {
      const full = await get("trust", { channel: name });
      const p = full.evidence?.points, k = full.evidence?.temperature;
      if (p?.time?.length > 1) plot.replaceChildren(evidence(p.time, p.rest_strain), h("p", { class: "soft" }, `Strain at rest from the installation zero; with temperature: ${k?.strain_per_kelvin == null ? "not known" : (k.strain_per_kelvin * 1e6).toFixed(2) + " µm/m per K" + (k.correlation == null ? "" : `, correlation ${k.correlation.toFixed(2)}`)}.`));
    } catch { /* the verdict stands without its plot */ }
    try { more.replaceChildren(...await zerosAndShunts(test, name)); } catch (e) { more.replaceChildren(failed(e)); }
  }
  void show();
  const timer = setInterval(show, 5000);
  return () => clearInterval(timer);
}

function named(label: string, value = "", readonly = false): { label: HTMLElement; input: HTMLInputElement } {
  const input = h("input", { type: "text", value, readonly }) as HTMLInputElement;
  return { input, label: h("label", {}, h("span", {}, label), input) };
}

// zerosAndShunts are the zeros of a channel, and on request its shunt checks, which
// are read from all of its files.
async function zerosAndShunts(test: Test, name: string): Promise<HTMLElement[]> {
  const zeros = await get("zeros", { channel: name }), out: HTMLElement[] = [];
  const mv = (v: number | null) => (v === null ? "none" : (v * 1e3).toFixed(6) + " mV/V");
  out.push(zeros.length ? table("Zeros", ["kind", "standing", "window ends", "ratio", "temperature", "spread", "readings", "who"], zeros.map((z: any) => [z.kind + (z.name ? " " + z.name : ""), z.standing + (z.carried_over?.length ? ", carried over work" : ""), z.to_ns ? moment(z.to_ns / 1e6) : "stated", mv(z.ratio_v_per_v), text(z.temperature_degc, "degC"), text(z.spread, "m/m"), z.readings, z.who ?? ""]), [3, 4, 5, 6]) : h("p", { class: "soft" }, "No zero yet: without one there is no strain."));
  if (!test.channels.find((c) => c.name === name)?.shunt) { out.push(h("p", { class: "soft" }, "The test file states no shunt for it.")); return out; }
  const checks = h("div");
  out.push(h("button", { type: "button", id: "shunts", click: async () => {
    checks.replaceChildren(h("p", { class: "soft" }, "Its files are being read."));
    try {
      const c = await get("checks", { channel: name });
      checks.replaceChildren(c.checks.length ? table("Shunt checks", ["when", "step", "predicted", "deviation", "verdict", "who"], c.checks.map((x: any) => [moment(x.on_ms), mv(x.step_v_per_v), mv(x.predicted_v_per_v), x.deviation === null ? "none" : (x.deviation * 100).toFixed(2) + " %", x.verdict, x.who]), [1, 2, 3]) : h("p", {}, "No shunt check is finished."), h("p", { class: "soft" }, c.says));
    } catch (e) { checks.replaceChildren(failed(e)); }
  } }, "Its shunt checks"), checks);
  return out;
}

function evidence(t: number[], v: (number | null)[]): SVGElement {
  const known = v.filter((x): x is number => x !== null), lo = Math.min(...known, 0), hi = Math.max(...known, 1e-6), W = 420, H = 150;
  const x = (k: number) => 50 + ((t[k] - t[0]) / (t[t.length - 1] - t[0] || 1)) * (W - 60), y = (a: number) => 10 + ((hi - a) / (hi - lo || 1)) * (H - 30);
  return s("svg", { class: "plot", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `Strain at rest, ${text(lo, "m/m")} to ${text(hi, "m/m")}` },
    s("line", { class: "grid", x1: 50, x2: W - 10, y1: y(0), y2: y(0) }), s("text", { x: 2, y: 16 }, text(hi, "m/m").replace(" µm/m", "")), s("text", { x: 2, y: H - 18 }, text(lo, "m/m").replace(" µm/m", "")), s("text", { x: 50, y: H - 2 }, "µm/m"),
    s("polyline", { class: "up", points: v.map((a, k) => (a === null ? "" : `${x(k).toFixed(1)},${y(a).toFixed(1)}`)).join(" ") }));
}
