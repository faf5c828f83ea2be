// Looks at the console for a while in a real browser and says how smoothly it goes,
// as one JSON object.
//
//   node consolespeed.mjs LINK SECONDS
import { chromium } from "playwright-core";

const [link, seconds] = process.argv.slice(2);
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--enable-precise-memory-info", "--js-flags=--expose-gc"],
});
try {
  const p = await (await browser.newContext({ viewport: { width: 1440, height: 900 } })).newPage();
  await p.goto(link);
  await p.waitForFunction(() => document.querySelector("#connection").textContent.startsWith("live, newest"), undefined, { timeout: 60_000 });
  await p.waitForTimeout(3000); // what begins once is not what is asked for
  console.log(JSON.stringify(await p.evaluate(async (seconds) => {
    const frames = [], tasks = [], memory = () => { window.gc?.(); return performance.memory.usedJSHeapSize; };
    new PerformanceObserver((l) => { for (const e of l.getEntries()) tasks.push(e.duration); }).observe({ type: "longtask" });
    const heap = [memory()], began = performance.now();
    let before = began, next = began + (seconds * 1000) / 10;
    for (;;) {
      const now = await new Promise(requestAnimationFrame);
      frames.push(now - before);
      before = now;
      if (now > next) { heap.push(memory()); next += (seconds * 1000) / 10; before = await new Promise(requestAnimationFrame); }
      if (now - began > seconds * 1000) break;
    }
    frames.sort((a, b) => a - b);
    return { Frames: frames.length, P99: frames[Math.floor(frames.length * 0.99)], Worst: frames[frames.length - 1], Long: tasks.filter((t) => t > 100).length, Longest: Math.max(0, ...tasks), Heap: heap, Rows: document.querySelectorAll("tbody tr").length };
  }, Number(seconds))));
} finally {
  await browser.close();
}
