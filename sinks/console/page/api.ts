// What the server is asked, and how a person's wish is carried out: asked first,
// confirmed once, followed to its end.
import { h, failed } from "./dom";

export interface Place { x: number; y: number; angle: number | null }
export interface Drawn { tag: string; attributes?: Record<string, string>; text?: string; children?: Drawn[] }
export interface Channel { name: string; position: string; at: string; direction: string; material: string; bridge: string; group: string; source: string; shunt: boolean; limit: number | null; angle: number | null; young: number | null }
export interface Rosette { name: string; grids: string[]; form: string; young: number | null; poisson: number | null }
export interface Test {
  test: string; article: string; zone: string; load: string; data: string; drawing: Drawn | null; full_strain: number; version: string;
  channels: Channel[]; rosettes: Rosette[]; quantities: { name: string; kind: string; unit: string; place: string }[];
  predictions: { step: string; channel: string; strain: number; band: number }[];
  flags: { bit: number; name: string; meaning: string; leaves_out: boolean }[]; places: Record<string, Place>;
}
export interface Trace { t: number[]; min: (number | null)[]; max: (number | null)[]; mean: (number | null)[]; flags: number[]; raw: boolean; first: number; last: number; rows: number }
export interface Me { who: string; role: "" | "viewer" | "operator"; token: string; sign_in: boolean }

export let me: Me = { who: "", role: "", token: "", sign_in: false };

async function answer(r: Response): Promise<any> {
  if (!r.ok) throw new Error((await r.text()).trim());
  return r.json();
}
export const get = async (what: string, q: Record<string, string | number> = {}): Promise<any> =>
  answer(await fetch("/api/" + what + "?" + new URLSearchParams(Object.entries(q).map(([k, v]) => [k, String(v)]))));
export const post = async (what: string, body: unknown): Promise<any> =>
  answer(await fetch("/api/" + what, { method: "POST", headers: { "Content-Type": "application/json", "X-Glueline-Token": me.token }, body: JSON.stringify(body) }));
export const whoAmI = async (): Promise<Me> => (me = await get("me"));

// carryOut asks what an action would do, shows it, and does it when confirmed. What
// it says is shown as it comes.
export async function carryOut(what: string, fields: Record<string, string>, into: HTMLElement, done: () => void = () => {}): Promise<void> {
  try {
    const asked = await post("ask", { what, fields });
    const yes = h("button", { class: "main", type: "button" }, "Yes, do it");
    const no = h("button", { type: "button", click: () => into.replaceChildren(h("p", {}, "Nothing was done.")) }, "No");
    yes.addEventListener("keydown", (e) => { if (e.repeat) e.preventDefault(); }); // a key that is held has not answered
    yes.addEventListener("click", async () => {
      const said = h("pre", { tabindex: 0, "aria-label": "What the command says" }, "…");
      const state = h("p", { role: "status" }, "under way");
      into.replaceChildren(state, said);
      try {
        const { task } = await post("do", { word: asked.word });
        for (;;) {
          const t = await get("task", { id: task });
          said.textContent = t.said || "…";
          if (t.done) {
            state.textContent = t.error ? "Attention: " + t.error : "Done.";
            state.dataset.done = t.error ? "no" : "yes";
            break;
          }
          await new Promise((r) => setTimeout(r, 300));
        }
        done();
      } catch (e) { into.append(failed(e)); }
    });
    into.replaceChildren(h("div", { class: "card", role: "group", "aria-label": "Please confirm" }, ...String(asked.says).split("\n").map((line: string) => h("p", {}, line)), h("div", { class: "row" }, yes, no)));
    yes.focus();
  } catch (e) { into.replaceChildren(failed(e)); }
}
