// Elements are made one by one from names and text, never from markup: what a test
// file holds is shown, not run.
export type Child = Node | string | number | null | undefined;
type Attributes = Record<string, string | number | boolean | null | undefined | ((e: any) => void)>;

function fill<T extends Element>(e: T, attributes: Attributes, children: Child[]): T {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") e.addEventListener(name, value);
    else if (value === true) e.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) e.setAttribute(name, String(value));
  }
  for (const c of children) if (c !== null && c !== undefined) e.append(c instanceof Node ? c : String(c));
  return e;
}

export const h = (tag: string, attributes: Attributes = {}, ...children: Child[]): HTMLElement => fill(document.createElement(tag), attributes, children);
export const s = (tag: string, attributes: Attributes = {}, ...children: Child[]): SVGElement =>
  fill(document.createElementNS("http://www.w3.org/2000/svg", tag) as SVGElement, attributes, children);

export const failed = (e: unknown): HTMLElement => h("div", { class: "card error", role: "alert" }, e instanceof Error ? e.message : String(e));
export const empty = (text: string): HTMLElement => h("p", { class: "card soft" }, text);

export function table(caption: string, head: string[], rows: Child[][], numbers: number[] = []): HTMLElement {
  const kind = (i: number) => (numbers.includes(i) ? "n" : null);
  return h("div", { class: "wide", tabindex: 0, role: "region", "aria-label": caption },
    h("table", {}, h("caption", {}, caption),
      h("thead", {}, h("tr", {}, ...head.map((t, i) => h("th", { scope: "col", class: kind(i) }, t)))),
      h("tbody", {}, ...rows.map((r) => h("tr", {}, ...r.map((c, i) => h("td", { class: kind(i) }, c)))))));
}

export function field(name: string, label: string, input: HTMLElement): HTMLElement {
  input.setAttribute("name", name);
  return h("label", {}, h("span", {}, label), input);
}

export function choice(options: [string, string][], chosen?: string): HTMLSelectElement {
  return h("select", {}, ...options.map(([value, text]) => h("option", { value, selected: value === chosen }, text))) as HTMLSelectElement;
}
