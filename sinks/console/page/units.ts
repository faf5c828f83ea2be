// SI inside; what people read is made here.
export function shown(unit: string): { scale: number; unit: string; digits: number } {
  switch (unit) {
    case "m/m": return { scale: 1e6, unit: "µm/m", digits: 1 };
    case "Pa": return { scale: 1e-6, unit: "MPa", digits: 2 };
    case "rad": return { scale: 180 / Math.PI, unit: "°", digits: 1 };
    case "V/V": return { scale: 1e3, unit: "mV/V", digits: 6 };
    case "degC": return { scale: 1, unit: "°C", digits: 2 };
  }
  return { scale: 1, unit, digits: 3 };
}
export function text(v: number | null | undefined, unit: string): string {
  if (v === null || v === undefined || !Number.isFinite(v)) return "none";
  const u = shown(unit);
  return (v * u.scale).toFixed(u.digits).replace("-", "−") + (u.unit ? " " + u.unit : "");
}
let zone = "UTC", format = formatOf(zone); // which costs too much to make for every moment
function formatOf(zone: string) { return new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "medium" }); }
export const setZone = (z: string) => { zone = z; format = formatOf(z); };
export const moment = (ms: number, millis = false): string =>
  format.format(ms) + (millis ? "." + String(Math.floor(((ms % 1000) + 1000) % 1000)).padStart(3, "0") : "") + " " + zone;
export function age(ms: number): string {
  const sec = Math.round(ms / 1000);
  if (sec < 120) return sec + " s";
  if (sec < 7200) return Math.round(sec / 60) + " min";
  if (sec < 172800) return Math.round(sec / 3600) + " h";
  return Math.round(sec / 86400) + " d";
}
