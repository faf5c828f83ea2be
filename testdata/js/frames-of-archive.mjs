// Prints every frame of a raw archive, a line each, as an Arrow implementation
// that is not ours reads it: source, boot, number and the SHA-256 over the
// frame's times and columns, little endian.
//
//   node frames-of-archive.mjs FOLDER
import { createHash } from "node:crypto";
import { readFileSync, readdirSync } from "node:fs";
import { join } from "node:path";
import { tableFromIPC } from "apache-arrow";

const folder = process.argv[2];
const out = [];

// bytes of a column from row `from` to `to`, over its batches.
const bytes = (column, from, to) => {
  const parts = [];
  let start = 0;
  for (const d of column.data) {
    const a = Math.max(from, start), b = Math.min(to, start + d.length);
    if (a < b) {
      const v = d.values;
      const width = v.byteLength / v.length * (v.length / d.length);
      parts.push(Buffer.from(v.buffer, v.byteOffset + (a - start) * width, (b - a) * width));
    }
    start += d.length;
  }
  return Buffer.concat(parts);
};

for (const name of readdirSync(folder).filter((n) => !n.startsWith(".") && n.endsWith(".commit.json")).sort()) {
  const record = JSON.parse(readFileSync(join(folder, name), "utf8"));
  for (const file of record.files) {
    const table = tableFromIPC(readFileSync(join(folder, file.name)));
    const source = table.schema.metadata.get("source");
    const part = Number(table.schema.metadata.get("part") ?? 0);
    const columns = table.schema.fields.map((f) => table.getChild(f.name));
    const places = columns[1];
    // A frame is a stretch of rows of one place.
    const stretches = [];
    for (let row = 0; row < table.numRows; row++) {
      const place = places.get(row);
      if (row === 0 || place !== stretches.at(-1).place) stretches.push({ place, from: row, to: row });
      stretches.at(-1).to = row + 1;
    }
    let next = 0;
    for (const run of record.runs) {
      if (run.source !== source || (run.part ?? 0) !== part) continue;
      for (let i = 0; i < run.frames; i++) {
        const { from, to } = stretches[next++];
        const hash = createHash("sha256");
        columns.forEach((c, k) => { if (k !== 1) hash.update(bytes(c, from, to)); });
        out.push(`${source} ${run.boot} ${run.number + i} ${hash.digest("hex")}`);
      }
    }
    if (next !== stretches.length) throw new Error(`${file.name}: ${stretches.length} frames, ${next} in its record`);
  }
}
console.log(out.join("\n"));
