// The page: which view is shown, whether the connection lives, who looks.
import "uplot/dist/uPlot.min.css";
import "./style.css";
import { Test, get, me, post, whoAmI } from "./api";
import { actions } from "./actions";
import { article } from "./article";
import { constants } from "./constants";
import { h, failed } from "./dom";
import { refresh } from "./health";
import { columns, connect, link, watch } from "./live";
import { load } from "./load";
import { rosettes } from "./rosettes";
import { traces } from "./traces";
import { trust } from "./trust";
import { age, moment, setZone } from "./units";

type View = (test: Test, into: HTMLElement, first?: string) => () => void;
const views: [string, string, View][] = [["article", "Article", article], ["traces", "Traces", traces], ["trust", "Trust", trust], ["rosettes", "Rosettes", rosettes], ["load", "Against load", load], ["constants", "Constants", constants], ["actions", "Actions", actions]];
const by = (id: string) => document.getElementById(id)!;
let leave = () => {};
let test: Test;

function show() {
  const word = (part: string) => { try { return decodeURIComponent(part); } catch { return part; } };
  const [name, first] = location.hash.slice(1).split("/").map(word);
  const view = views.find((v) => v[0] === name) ?? views[0];
  for (const a of by("views").querySelectorAll("a")) a.getAttribute("href") === "#" + view[0] ? a.setAttribute("aria-current", "page") : a.removeAttribute("aria-current");
  leave();
  by("view").replaceChildren();
  document.title = `${view[1]}: ${test.test}`;
  try { leave = view[2](test, by("view"), first); } catch (e) { by("view").replaceChildren(failed(e)); leave = () => {}; }
}

function connection() {
  const at = by("connection"), quiet = Date.now() - link.heard;
  const newest = link.newest ? `newest sample ${moment(link.newest)}` : "no live sample yet";
  const lost = link.state === "lost" || (link.state === "open" && quiet > 6000);
  at.classList.toggle("lost", lost);
  const words = lost ? `Connection lost. What is shown is ${link.heard ? age(quiet) + " old" : "not live"}.` : link.state === "open" ? `live, ${newest}` : "connecting";
  if (at.textContent !== words) at.textContent = words;
}

function theme(to: string) {
  document.documentElement.dataset.theme = to;
  by("theme").textContent = to === "dark" ? "Light" : "Dark";
  try { localStorage.setItem("theme", to); } catch { /* not kept then */ }
}

function signIn() {
  const name = h("input", { type: "text", autocomplete: "username", required: true }) as HTMLInputElement, password = h("input", { type: "password", autocomplete: "current-password", required: true }) as HTMLInputElement, answer = h("div");
  by("view").replaceChildren(h("form", { class: "card", submit: async (e: Event) => {
    e.preventDefault();
    try { await post("sign-in", { Name: name.value, Password: password.value }); location.reload(); } catch (x) { answer.replaceChildren(failed(x)); }
  } }, h("h1", {}, "Sign in"), h("div", { class: "row" }, h("label", {}, h("span", {}, "Name"), name), h("label", {}, h("span", {}, "Password"), password), h("button", { class: "main" }, "Sign in")), answer));
}

async function start() {
  theme(localStorage.getItem("theme") ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"));
  by("theme").addEventListener("click", () => { theme(document.documentElement.dataset.theme === "dark" ? "light" : "dark"); if (test) show(); });
  try {
    await whoAmI();
    by("me").replaceChildren(...(me.role === "" ? [] : [me.who ? `${me.who}, ${me.role}` : me.role, ...(me.who ? [" ", h("button", { type: "button", click: async () => { await post("sign-out", {}); location.reload(); } }, "Sign out")] : [])]));
    if (me.role === "") { by("connection").textContent = "not signed in"; return signIn(); }
    test = await get("test");
  } catch (e) { by("view").replaceChildren(failed(e)); setTimeout(start, 2000); return; }
  setZone(test.zone);
  by("test").textContent = test.test;
  by("article").textContent = test.article;
  by("zone").textContent = `Times are in ${test.zone}.`;
  by("views").replaceChildren(...views.map(([name, text]) => h("a", { href: "#" + name }, text)));
  connect();
  watch(connection);
  setInterval(connection, 1000);
  await refresh().catch(() => {}); // the views say it themselves
  setInterval(() => { void refresh().catch(() => {}); }, 5000);
  addEventListener("hashchange", () => { show(); by("view").focus({ preventScroll: true }); scrollTo(0, 0); });
  show();
  (window as any).gluelineColumns = columns; // for whoever looks into the page
}
void start();
