// Constants: what holds and what held; a change is looked at before it is made.
import { Test, get, carryOut, me } from "./api";
import { h, failed, table } from "./dom";

export function constants(_: Test, into: HTMLElement): () => void {
  const history = h("div", { class: "card" }), form = h("div", { class: "card" }), compare = h("div", { class: "card" });
  into.append(h("h1", {}, "Constants"), form, compare, history);
  const input = (label: string, value = "") => { const i = h("input", { type: "text", value }) as HTMLInputElement; return { i, l: h("label", {}, h("span", {}, label), i) }; };
  async function show() {
    try {
      const c = await get("calibrations");
      const revisions: string[] = (c.revisions ?? []).map((r: any) => r.name ?? r.revision);
      history.replaceChildren(table("Calibrations that held", ["from", "group", "who", "why", "changes"], (c.named ?? []).map((n: any) => [n.when ?? "the first reading", n.group, n.who ?? "", n.why ?? "", (n.changes ?? []).join("; ")])),
        table("Revisions", ["revision", "standing", "who", "why", "changes"], (c.revisions ?? []).map((r: any) => [(r.name ?? r.revision) + ((r.name ?? r.revision) === c.current ? " (holds)" : ""), r.standing ?? "", r.who ?? "", r.why ?? "", (r.changes ?? []).join("; ")])));
      const answer = h("div", { id: "compared" });
      const options = () => revisions.map((r) => h("option", { value: r }, r));
      const a = h("select", {}, ...options()) as HTMLSelectElement, b = h("select", {}, ...options()) as HTMLSelectElement;
      if (revisions.length > 1) { a.value = revisions[revisions.length - 2]; b.value = revisions[revisions.length - 1]; }
      compare.replaceChildren(h("h2", {}, "Before and after"), revisions.length > 1 && me.role === "operator"
        ? h("div", { class: "row" }, h("label", {}, h("span", {}, "before"), a), h("label", {}, h("span", {}, "after"), b), h("button", { type: "button", id: "compare", click: () => carryOut("compare", { a: a.value, b: b.value }, answer) }, "Compare"))
        : h("p", { class: "soft" }, "There is one reduction; when constants are changed, the old and the new one stand here."), answer);
    } catch (e) { history.replaceChildren(failed(e)); }
  }
  async function edit() {
    try {
      const k = await get("constants");
      const text = h("textarea", { id: "constants", spellcheck: "false", readonly: me.role !== "operator" }) as HTMLTextAreaElement;
      text.value = k.text;
      const from = input("holds from (a time with its zone; empty: from the first day)"), to = input("and up to"), who = input("Who", me.who), why = input("Why"), answer = h("div", { id: "answer" });
      who.i.readOnly = me.who !== "";
      const fields = (): Record<string, string> => ({ text: text.value, from: from.i.value, to: to.i.value });
      // What is asked back is what stands there: a change takes the question away.
      form.addEventListener("input", () => { if (answer.querySelector('[aria-label="Please confirm"]')) answer.replaceChildren(h("p", {}, "Changed since the question: preview or apply again.")); });
      const changed = () => { if (text.value !== k.text) return true; answer.replaceChildren(h("p", {}, "Nothing is changed in the text yet.")); return false; };
      form.replaceChildren(h("h2", {}, `In force: ${k.digest}`), h("label", {}, h("span", {}, "The test file. Change a constant, look at the preview, then apply."), text), h("div", { class: "row" }, from.l, to.l, who.l, why.l),
        me.role === "operator" ? h("div", { class: "row" }, h("button", { type: "button", id: "preview", click: () => changed() && carryOut("preview", fields(), answer) }, "Preview"),
          h("button", { type: "button", class: "main", id: "apply", click: () => changed() && carryOut("rereduce", { ...fields(), who: who.i.value, why: why.i.value }, answer, () => { void show(); }) }, "Apply")) : h("p", { class: "soft" }, "Only an operator changes constants."), answer);
    } catch (e) { form.replaceChildren(failed(e)); }
  }
  void edit(); void show();
  return () => {};
}
