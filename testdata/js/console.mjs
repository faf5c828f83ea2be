// Drives the console in a real browser and says what it saw, one JSON object a line.
//
//   node console.mjs LINK SHOTS DEMO-PROCESS
//
// LINK is what the demo printed. SHOTS is a folder for screenshots. The process is
// stopped for a while, and goes on, to try a lost connection.
import { chromium } from "playwright-core";
import { createRequire } from "node:module";
import { join } from "node:path";

const [link, shots, pid] = process.argv.slice(2);
const say = (what, more = {}) => console.log(JSON.stringify({ what, ...more }));
const axe = createRequire(import.meta.url).resolve("axe-core/axe.min.js");
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
const views = ["article", "traces", "trust", "rosettes", "load", "constants", "actions"];
const sizes = { desktop: { width: 1440, height: 900 }, phone: { width: 390, height: 844 }, wall: { width: 2560, height: 1440 } };

async function page(size, theme) {
  // bypassCSP lets the checker in; that the policy holds is tried without it.
  const context = await browser.newContext({ viewport: sizes[size], colorScheme: theme, bypassCSP: true, reducedMotion: "reduce" });
  const p = await context.newPage();
  p.on("pageerror", (e) => say("error", { text: String(e) }));
  await p.goto(link);
  await p.waitForFunction(() => document.querySelectorAll("nav a").length === 7);
  return p;
}

async function go(p, view) {
  await p.goto(new URL("/#" + view, link).href);
  await p.waitForSelector(`nav a[href="#${view.split("/")[0]}"][aria-current="page"]`);
  if (view === "article") await p.waitForSelector("main h1");
  if (view === "traces") await p.waitForSelector("canvas");
  if (view === "trust") await p.waitForSelector("tbody tr");
  if (view === "load") await p.waitForFunction(() => document.querySelectorAll("main .plot polyline").length > 0 && document.querySelectorAll("main tbody tr").length > 0);
  if (view === "constants") await p.waitForSelector("#constants");
  await p.waitForTimeout(300);
}

async function check(p, where) {
  await p.addScriptTag({ path: axe });
  const found = await p.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  const serious = found.violations.filter((v) => v.impact === "serious" || v.impact === "critical");
  say("axe", { where, serious: serious.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + (n.failureSummary ?? "").split("\n").slice(0, 2).join(" ")).join("; ")}`), passes: found.passes.length });
  const wide = await p.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  say("fits", { where, over: wide });
}

try {
  // Every view, size and theme.
  for (const [size, theme] of [["desktop", "light"], ["desktop", "dark"], ["phone", "light"], ["phone", "dark"], ["wall", "dark"]]) {
    const p = await page(size, theme);
    for (const view of views) {
      await go(p, view);
      await p.screenshot({ path: join(shots, `${size}-${theme}-${view}.png`) });
      if (size !== "wall") await check(p, `${size} ${theme} ${view}`);
      say("warning", { where: view, there: await p.evaluate(() => document.querySelector("footer").textContent.includes("monitors. It does not protect") && document.querySelector("footer").getBoundingClientRect().bottom <= innerHeight + 1) });
    }
    await p.context().close();
  }

  // The checker runs at all: a planted mistake is found.
  const p = await page("desktop", "light");
  await go(p, "article");
  await p.waitForSelector("g.gauge");
  await p.evaluate(() => { const b = document.createElement("button"); b.id = "planted"; document.querySelector("main").append(b); });
  await p.addScriptTag({ path: axe });
  say("planted", { found: await p.evaluate(async () => (await window.axe.run(document)).violations.some((v) => v.nodes.some((n) => n.html.includes("planted")))) });

  // A gauge that opened shows on the drawing and in Trust.
  await go(p, "article");
  say("article", { false: await p.$$eval("g.gauge.false", (all) => all.map((g) => g.dataset.name + ": " + g.getAttribute("aria-label"))), bars: await p.$$eval("g.gauge .bar", (all) => all.filter((b) => Math.abs(b.getAttribute("x2")) + Math.abs(b.getAttribute("y2")) > 0.5).length) });
  await go(p, "trust");
  say("trust", { rows: await p.$$eval("main tbody tr", (all) => all.slice(0, 12).map((r) => r.innerText.replace(/\s+/g, " "))) });
  await p.click("main tbody tr button");
  await p.waitForSelector("main details, main h2");
  await p.waitForTimeout(500);
  await p.screenshot({ path: join(shots, "desktop-light-cause.png") });
  await check(p, "a channel's causes");

  // From all of it to single samples, and what one is made of.
  await go(p, "traces/skin-9");
  await p.waitForSelector("canvas");
  const spans = [];
  for (let i = 0; i < 12; i++) {
    const began = Date.now();
    await p.click("#in");
    const before = spans.at(-1);
    await p.waitForFunction((t) => document.querySelector("#span").textContent !== t, before).catch(() => {});
    spans.push(await p.textContent("#span"));
    say("zoom", { ms: Date.now() - began, span: spans.at(-1) });
    if (/: \d samples|: [1-4]\d samples/.test(spans.at(-1))) break;
  }
  await p.focus(".chart");
  await p.keyboard.press("ArrowRight");
  await p.keyboard.press("ArrowRight");
  await p.keyboard.press("Enter");
  await p.waitForSelector("#ratio");
  say("sample", await p.$eval("#ratio", (e) => ({ ratio: Number(e.dataset.ratio), time: e.dataset.time, raw: document.querySelector("#span").dataset.raw })));
  await p.screenshot({ path: join(shots, "desktop-light-sample.png") });

  // The raw ratio and a correction as curves, over all of it.
  await go(p, "traces/skin-9");
  await p.getByLabel("Quantity").selectOption("parts");
  for (const part of ["raw ratio", "thermal output"]) {
    const before = await p.textContent("#span");
    await p.click(`.chips button:has-text("skin-9: ${part}")`);
    await p.waitForFunction((t) => document.querySelector("#span").textContent !== t, before, { timeout: 60_000 });
  }
  await p.focus(".chart");
  await p.keyboard.press("ArrowRight");
  await p.waitForFunction(() => /thermal output: /.test(document.querySelector("#readout").textContent));
  say("parts", { says: await p.textContent("#readout") });
  await p.screenshot({ path: join(shots, "desktop-light-parts.png") });
  await check(p, "raw ratio and corrections");

  // A moment of the past, on the drawing and as circles.
  for (const view of ["article", "rosettes"]) {
    await go(p, view, "#when");
    await p.fill("#when", "2026-05-05 12:00:00");
    await p.keyboard.press("Enter");
    await p.waitForSelector("#then [role=alert]");
    await p.fill("#when", "2026-05-05T12:00:00Z");
    await p.keyboard.press("Enter");
    await p.waitForFunction(() => document.querySelector("#then").textContent.includes("2026-05-05 12:00:00"), undefined, { timeout: 60_000 });
    if (view === "rosettes") await p.waitForFunction(() => [...document.querySelectorAll('[data-part="s1"]')].every((r) => r.textContent.includes("±")), undefined, { timeout: 60_000 });
    say("then", { where: view, says: await p.textContent("main") });
    await p.screenshot({ path: join(shots, `desktop-light-${view}-then.png`), fullPage: true });
    await check(p, view + " of the past");
  }

  // A constant is changed: preview, apply, compare.
  await go(p, "constants");
  const text = await p.inputValue("#constants");
  await p.fill("#constants", text.replace("gauge-factor: 2.08", "gauge-factor: 2.10"));
  const done = async (button, into) => {
    await p.click(button);
    await p.click(`${into} button.main`);
    await p.waitForSelector(`${into} [data-done]`, { timeout: 120_000 });
    return { done: await p.getAttribute(`${into} [data-done]`, "data-done"), says: await p.textContent(into) };
  };
  say("preview", await done("#preview", "#answer"));
  await p.screenshot({ path: join(shots, "desktop-light-preview.png"), fullPage: true });
  await p.getByLabel("Who", { exact: true }).fill("A. Tester");
  await p.getByLabel("Why", { exact: true }).fill("the package of the lot says 2.10");
  say("apply", await done("#apply", "#answer"));
  await p.waitForSelector("#compare");
  say("compare", await done("#compare", "#compared"));
  await p.screenshot({ path: join(shots, "desktop-light-compared.png"), fullPage: true });

  // A note is asked back, and stands.
  await go(p, "actions");
  await p.fill('form[data-what="note"] [name="text"]', "<img src=x onerror=alert(1)> --force");
  await p.fill('form[data-what="note"] [name="who"]', "A. Tester");
  await p.click('form[data-what="note"] button[type="submit"]');
  await p.click('form[data-what="note"] [aria-label="Please confirm"] button.main');
  await p.waitForSelector('form[data-what="note"] [data-done]');
  say("note", { done: await p.getAttribute('form[data-what="note"] [data-done]', "data-done"), says: await p.textContent('form[data-what="note"]'), images: await p.$$eval("img", (all) => all.length) });

  // The connection is lost, with the age of what is shown, and comes back.
  process.kill(Number(pid), "SIGSTOP");
  await p.waitForFunction(() => /Connection lost.*\d+ s old/.test(document.querySelector("#connection").textContent), undefined, { timeout: 30_000 });
  say("lost", { says: await p.textContent("#connection") });
  await p.screenshot({ path: join(shots, "desktop-light-lost.png") });
  await check(p, "lost");
  process.kill(Number(pid), "SIGCONT");
  await p.waitForFunction(() => document.querySelector("#connection").textContent.startsWith("live"), undefined, { timeout: 30_000 });
  say("back", { says: await p.textContent("#connection") });

  // The policy holds: without the bypass the page works, and nothing inline runs.
  const strict = await (await browser.newContext()).newPage();
  const refused = [];
  strict.on("console", (m) => { if (m.type() === "error") refused.push(m.text()); });
  await strict.goto(link);
  await strict.waitForSelector("g.gauge");
  await strict.goto(new URL("/#traces", link).href);
  await strict.waitForSelector("canvas");
  const quiet = refused.length;
  await strict.evaluate(() => { const s = document.createElement("div"); try { s.innerHTML = "<b>x</b>"; } catch (e) { window.refused = String(e); } });
  say("policy", { quiet, errors: refused.slice(0, 3), trusted: await strict.evaluate(() => window.refused ?? "") });
  say("end");
} catch (e) {
  say("failed", { text: String(e?.stack ?? e) });
  process.exitCode = 1;
} finally {
  process.kill(Number(pid), "SIGCONT");
  await browser.close();
}
