// Live values: the newest of every column, as the feed sends them.
export interface Column { name: string; of: string; quantity: string; unit: string; source: string; min: number; max: number; last: number; flags: number; at: number }
interface Layout { id: number; source: string; columns: { name: string; of: string; quantity: string; unit: string }[] }

export const columns = new Map<string, Column>();
export const link = { state: "connecting" as "connecting" | "open" | "lost", heard: 0, newest: 0 };
const watchers = new Set<() => void>();
export const watch = (f: () => void): (() => void) => { watchers.add(f); return () => watchers.delete(f); };
export const strainOf = (of: string, among = columns): Column | undefined => find(of, "strain", among) ?? find(of, "engineering shear strain", among) ?? find(of, "indicated strain", among);
export const find = (of: string, quantity: string, among = columns): Column | undefined => columnsOf(of, among).find((c) => c.quantity === quantity);

// columnsOf are the columns of one channel or rosette: views ask for hundreds a frame.
let indexes = new WeakMap<Map<string, Column>, Map<string, Column[]>>(); // made anew when columns come or go
export function columnsOf(of: string, among = columns): Column[] {
  let index = indexes.get(among);
  if (!index) {
    indexes.set(among, (index = new Map()));
    for (const c of among.values()) { const all = index.get(c.of); if (all) all.push(c); else index.set(c.of, [c]); }
  }
  return index.get(of) ?? [];
}

let due = false;
function tell() { // once a frame, however much came
  if (due) return;
  due = true;
  requestAnimationFrame(() => { due = false; for (const f of watchers) f(); });
}

export function connect(): void {
  const layouts = new Map<number, Layout>();
  const ws = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/api/live");
  ws.binaryType = "arraybuffer";
  let quiet = 0;
  const watchdog = () => { clearTimeout(quiet); quiet = window.setTimeout(() => ws.close(), 7000); };
  ws.onopen = () => { link.state = "open"; link.heard = Date.now(); watchdog(); tell(); };
  ws.onclose = () => { clearTimeout(quiet); link.state = "lost"; tell(); setTimeout(connect, 1500); };
  ws.onmessage = (m) => {
    watchdog();
    link.heard = Date.now();
    const view = new DataView(m.data);
    if (view.getUint8(0) === 1) {
      const l: Layout = JSON.parse(new TextDecoder().decode(new Uint8Array(m.data, 1)));
      for (const [name, c] of columns) if (c.source === l.source) columns.delete(name);
      layouts.set(l.id, l);
      indexes = new WeakMap();
      for (const c of l.columns) columns.set(c.name, { ...c, source: l.source, min: NaN, max: NaN, last: NaN, flags: 0, at: 0 });
    } else if (view.getUint8(0) === 2) {
      const l = layouts.get(view.getUint16(2, true));
      const at = view.getFloat64(16, true);
      link.newest = Math.max(link.newest, at);
      l?.columns.forEach((c, i) => {
        const o = 24 + 16 * i, to = columns.get(c.name)!;
        to.min = view.getFloat32(o, true); to.max = view.getFloat32(o + 4, true); to.last = view.getFloat32(o + 8, true); to.flags = view.getUint32(o + 12, true); to.at = at;
      });
    }
    tell();
  };
}
