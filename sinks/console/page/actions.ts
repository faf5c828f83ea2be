// Actions: what people do during a test, each asked back once; and identify, which
// finds wires that were swapped.
import { Test, carryOut, me } from "./api";
import { h, choice, field } from "./dom";
import { columns, strainOf, watch } from "./live";
import { text } from "./units";

export function actions(test: Test, into: HTMLElement): () => void {
  into.append(h("h1", {}, "Actions"));
  const stop = identify(test, into);
  if (me.role !== "operator") {
    into.append(h("p", { class: "card" }, "You may look. To take zeros, name steps and the like, sign in as an operator, or open the link that the service printed."));
    return stop;
  }
  const box = (value = "", required = true) => h("input", { type: "text", value, required }) as HTMLInputElement;
  const channels = (only = test.channels) => choice(only.map((c) => [c.name, c.name]));
  const form = (what: string, title: string, fields: HTMLElement[]) => {
    const answer = h("div");
    const who = box(me.who);
    who.readOnly = me.who !== "";
    into.append(h("form", { class: "card", "aria-label": title, "data-what": what, submit: (e: Event) => {
      e.preventDefault();
      void carryOut(what, Object.fromEntries([...new FormData(e.target as HTMLFormElement)].map(([k, v]) => [k, String(v)])), answer);
    } }, h("h2", {}, title), h("div", { class: "row" }, ...fields, field("who", "Who", who), h("button", { type: "submit", class: "main" }, "Ask")), answer));
  };
  form("zero", "Zero", [field("kind", "Kind", choice([["test", "test: strain is counted from it"], ["installation", "installation: drift is judged from it"], ["tare", "tare: screens only"]])), field("name", "Name", box("", false)), field("for", "For", box("30s")), field("channels", "Channels, by commas; empty for all", box("", false)), field("why", "Why", box())]);
  const shunted = test.channels.filter((c) => c.shunt);
  if (shunted.length) form("shunt", "Shunt check", [field("channel", "Channel", channels(shunted)), field("for", "For", box("5s")), field("why", "Why", box("", false))]);
  form("step", "Step", [field("state", "It", choice([["begin", "begins"], ["hold", "holds"], ["end", "ends"]])), field("name", "Name", box()), field("target", "Target", box("", false)), field("why", "Why", box("", false))]);
  form("load-state", "Load state", [field("state", "The article is", choice([["idle", "idle"], ["loaded", "loaded"]])), field("why", "Why", box("", false))]);
  form("insulation", "Insulation reading", [field("channel", "Channel", channels()), field("value", "Gauge to article, with its unit", box("2000 Mohm")), field("why", "Why", box("", false))]);
  form("note", "Note", [field("text", "What is to be remembered", box()), field("channels", "Channels, by commas", box("", false))]);
  return stop;
}

// identify shows the channel that moves while somebody presses each gauge in turn.
function identify(test: Test, into: HTMLElement): () => void {
  const big = h("p", { class: "big", role: "status" }, "press a gauge"), log = h("ol");
  let rest: Map<string, number> | undefined, told = "";
  const button = h("button", { type: "button", id: "identify", "aria-pressed": "false", click: () => {
    rest = rest ? undefined : new Map([...test.channels].map((c) => [c.name, strainOf(c.name)?.last ?? NaN]));
    told = "";
    button.setAttribute("aria-pressed", String(!!rest));
    big.textContent = rest ? "press a gauge" : "stopped";
  } }, "Listen");
  into.append(h("section", { class: "card", "aria-label": "Identify" }, h("h2", {}, "Identify"), h("p", { class: "soft" }, "Press each gauge with a finger, one after the other. The channel that moves and its sign stand here: a wire that was swapped shows at once. It needs a test or installation zero: before one there is no strain."), button, big, log));
  return watch(() => {
    if (!rest) return;
    let most = { name: "", by: 0 }, known = false;
    for (const c of test.channels) {
      const now = columns.get(c.name + " [m/m]") ?? strainOf(c.name), before = rest.get(c.name) ?? NaN;
      if (!now || !Number.isFinite(now.last - before)) { if (now) rest.set(c.name, now.last); continue; }
      known = true;
      const by = now.last - before;
      if (Math.abs(by) > Math.abs(most.by)) most = { name: c.name, by };
      rest.set(c.name, before + 0.02 * (now.last - before)); // slow changes are not a finger
    }
    if (!known) { big.textContent = "no strain yet"; return; } // without a zero, or while nothing comes
    if (big.textContent === "no strain yet") big.textContent = "press a gauge";
    if (Math.abs(most.by) < 5e-6) return;
    big.textContent = `${most.name} ${most.by > 0 ? "+" : "−"}`;
    if (told !== most.name) { told = most.name; log.prepend(h("li", {}, `${most.name}, ${text(most.by, "m/m")}`)); }
  });
}
