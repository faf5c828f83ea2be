// Drives the console of a service behind TLS and sign-in, in a real browser, and says
// what it saw, one JSON object a line. Names of the test are hostile.
//
//   node consolesignin.mjs LINK SHOTS
//
// Line {"what":"press"} asks whoever started it to have a gauge pressed, and
// {"what":"load"} to load the article.
import { chromium } from "playwright-core";
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";

const [link, shots] = process.argv.slice(2);
const say = (what, more = {}) => console.log(JSON.stringify({ what, ...more }));
const axe = createRequire(import.meta.url).resolve("axe-core/axe.min.js");
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

async function signedIn(name, more = {}) {
  const context = await browser.newContext({ ignoreHTTPSErrors: true, acceptDownloads: true, reducedMotion: "reduce", ...more });
  const p = await context.newPage();
  p.on("pageerror", (e) => say("error", { text: String(e) }));
  p.on("dialog", (d) => { say("error", { text: "a dialog: " + d.message() }); void d.dismiss(); });
  await p.goto(link);
  await p.waitForSelector('input[type="password"]');
  if (!name) return p;
  await p.getByLabel("Name").fill(name);
  await p.getByLabel("Password").fill("a long password");
  await p.getByRole("button", { name: "Sign in" }).click();
  await p.waitForFunction(() => document.querySelectorAll("nav a").length === 7);
  return p;
}
const go = async (p, view, wait = "main h1") => { await p.goto(new URL("/#" + view, link).href); await p.waitForSelector(`nav a[href="#${view.split("/")[0]}"][aria-current="page"]`); await p.waitForSelector(wait); };
async function check(p, where) {
  await p.addScriptTag({ path: axe });
  const found = await p.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  say("axe", { where, serious: found.violations.filter((v) => v.impact === "serious" || v.impact === "critical").map((v) => v.id + ": " + v.nodes.slice(0, 3).map((n) => n.target.join(" ")).join("; ")), passes: found.passes.length });
}
// strange is what only markup of a name that was taken for more could have made.
const strange = (p) => p.evaluate(() => document.querySelectorAll("main img, main script, main iframe, header img, [onerror], [onload], [onclick]").length);

try {
  // Nobody, and a wrong password.
  let p = await signedIn("", { bypassCSP: true });
  await check(p, "sign in");
  await p.getByLabel("Name").fill("ada");
  await p.getByLabel("Password").fill("not this one");
  await p.getByRole("button", { name: "Sign in" }).click();
  await p.waitForSelector('[role="alert"]');
  say("wrong", { says: await p.textContent('[role="alert"]'), rows: await p.evaluate(async () => Promise.all(["test", "status", "trust", "live"].map(async (w) => w + " " + (await fetch("/api/" + w)).status))) });
  await p.screenshot({ path: join(shots, "sign-in.png") });
  await p.context().close();

  // A viewer looks, and changes nothing.
  p = await signedIn("ben");
  await go(p, "actions", "#identify");
  const asks = (p, token) => p.evaluate(async (token) => (await fetch("/api/ask", { method: "POST", headers: { "Content-Type": "application/json", "X-Glueline-Token": token }, body: JSON.stringify({ what: "note", fields: { text: "x", who: "y" } }) })).status, token);
  const token = await p.evaluate(async () => (await (await fetch("/api/me")).json()).token);
  say("viewer", { says: await p.textContent("#me"), over: await p.$$eval("form[data-what]", (all) => all.length), ms: await asks(p, token) });
  await p.context().close();

  // An operator does what people do in a test, each asked back once.
  p = await signedIn("ada");
  say("forged", { rows: [String(await asks(p, "")), String(await asks(p, "another")), String(await asks(p, token))] });
  await p.waitForFunction(() => document.querySelector("#connection").textContent.startsWith("live"));
  await go(p, "actions", '[data-what="zero"]');
  const act = async (what, fields) => {
    const form = `form[data-what="${what}"]`;
    for (const [name, value] of Object.entries(fields)) {
      const at = `${form} [name="${name}"]`;
      if (await p.$eval(at, (e) => e.tagName === "SELECT")) await p.selectOption(at, value); else await p.fill(at, value);
    }
    const signs = await p.inputValue(`${form} [name="who"]`), mayForge = await p.$eval(`${form} [name="who"]`, (e) => !e.readOnly);
    await p.click(`${form} button[type="submit"]`);
    await p.waitForSelector(`${form} [aria-label="Please confirm"]`);
    const asked = await p.textContent(`${form} [aria-label="Please confirm"]`);
    await p.click(`${form} [aria-label="Please confirm"] button.main`);
    await p.waitForSelector(`${form} [data-done]`, { timeout: 90_000 });
    say("act", { where: what, text: asked, says: await p.textContent(form), done: await p.getAttribute(`${form} [data-done]`, "data-done"), raw: signs, there: mayForge });
  };
  // Refused once at the question: nothing is done.
  await p.fill('form[data-what="note"] [name="text"]', "never said");
  await p.click('form[data-what="note"] button[type="submit"]');
  await p.getByRole("button", { name: "No", exact: true }).click();
  await act("load-state", { state: "idle" });
  await act("zero", { kind: "test", for: "3s", why: "empty, at rest" });
  await act("step", { state: "begin", name: "first <b onclick=window.hurt=1>", target: "20 kN" });
  await act("step", { state: "hold", name: "first <b onclick=window.hurt=1>" });
  await act("step", { state: "end", name: "first <b onclick=window.hurt=1>" });
  await act("shunt", { for: "3s", why: "weekly" });
  await act("insulation", { value: "2000 Mohm" });
  await act("load-state", { state: "loaded" });
  await act("note", { text: "<img src=x onerror=alert(1)> --data=/elsewhere" });
  await p.screenshot({ path: join(shots, "actions-done.png"), fullPage: true });

  // Identify: each gauge that is pressed stands there.
  for (const name of ["first", "second"]) {
    await p.click("#identify");
    say("press", { where: name });
    await p.waitForFunction(() => document.querySelectorAll("main ol li").length > 0, undefined, { timeout: 60_000 });
    say("pressed", { where: name, says: await p.textContent("p.big") });
    if (name === "first") await p.screenshot({ path: join(shots, "identify.png") });
    await p.evaluate(() => document.querySelector("main ol").replaceChildren());
    await p.click("#identify");
  }

  // An alarm is answered for in Trust.
  say("load");
  await go(p, "trust", "main [data-alarm]");
  await p.waitForSelector("main tbody tr");
  await p.click("main tbody tr button");
  await p.waitForSelector("#zeros table");
  const zeros = await p.textContent("#zeros");
  await p.click("#shunts");
  await p.waitForFunction(() => /Shunt checks|No shunt check/.test(document.querySelector("#zeros").textContent));
  say("zeros", { says: zeros, text: await p.textContent("#zeros") });
  await p.getByLabel("Why").first().fill("the jack is being let down");
  await p.getByRole("button", { name: "Answer for it" }).first().click();
  await p.screenshot({ path: join(shots, "alarm.png"), fullPage: true });
  await p.click('[data-alarm] button.main');
  await p.waitForFunction(() => /Acknowledged by ada/.test(document.querySelector("#alarms").textContent), undefined, { timeout: 60_000 });
  say("answered", { says: await p.textContent("#alarms") });
  await p.getByLabel("What you make of it").fill("looked at");
  await p.click("#seen");
  await p.click('.card [aria-label="Please confirm"] button.main');
  await p.waitForSelector("main [data-done]");
  say("seen", { done: await p.getAttribute("main [data-done]", "data-done") });

  // Hostile names stay names, in every view.
  for (const view of ["article", "traces", "trust", "rosettes", "load", "constants", "actions"]) {
    await go(p, view);
    await p.waitForTimeout(800);
    say("hostile", { where: view, over: await strange(p), images: await p.evaluate(() => (window.hurt ? 1 : 0)) });
    await p.screenshot({ path: join(shots, `hostile-${view}.png`) });
  }

  // What is saved is what is shown; the cursor is moved by the keyboard alone.
  await go(p, "traces", "canvas");
  await p.focus(".chart");
  const read = () => p.textContent("#readout");
  await p.keyboard.press("ArrowRight");
  const before = await read();
  await p.keyboard.press("ArrowRight");
  const after = await read(), span = await p.textContent("#span");
  await p.keyboard.press("+");
  await p.waitForFunction((s) => document.querySelector("#span").textContent !== s, span);
  const zoomed = await p.textContent("#span");
  await p.keyboard.press("Home");
  await p.waitForFunction((s) => document.querySelector("#span").textContent !== s, zoomed);
  say("keyboard", { text: before, says: after, there: before !== after });
  for (const kind of ["PNG", "SVG", "CSV"]) {
    const [d] = await Promise.all([p.waitForEvent("download"), p.getByRole("button", { name: "Save " + kind }).click()]);
    const path = join(shots, d.suggestedFilename());
    await d.saveAs(path);
    const bytes = readFileSync(path);
    say("saved", { where: kind, text: d.suggestedFilename(), says: kind === "PNG" ? bytes.subarray(1, 4).toString() : bytes.toString("utf8").slice(0, 4000), ms: bytes.length });
  }
  const svg = await browser.newContext();
  const q = await svg.newPage();
  await q.goto("file://" + join(shots, "traces.svg"));
  say("svg", { ms: await q.evaluate(() => document.querySelectorAll("polyline").length), images: await q.evaluate(() => document.querySelectorAll("img, script").length), text: await q.evaluate(() => document.documentElement.tagName) });
  await svg.close();

  // Signing out ends it.
  await p.getByRole("button", { name: "Sign out" }).click();
  await p.waitForSelector('input[type="password"]');
  say("out", { ms: await p.evaluate(async () => (await fetch("/api/test")).status) });
  say("end");
} catch (e) {
  say("failed", { text: String(e?.stack ?? e) });
  process.exitCode = 1;
} finally {
  await browser.close();
}
