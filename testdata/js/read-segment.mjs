// Prints what an Arrow implementation that is not ours sees in a file, as JSON:
// schema with metadata, batch sizes, and for each column its nulls, first and
// last value and, of numbers, sum. 64-bit integers are written as strings.
//
//   node read-segment.mjs FILE
import { readFileSync } from "node:fs";
import { tableFromIPC, Type } from "apache-arrow";

const table = tableFromIPC(readFileSync(process.argv[2]));

// Times come as milliseconds with a fraction when asked for by row, so the
// nanoseconds are taken from the column's own 64-bit words.
const words = (column) => column.data.flatMap((d) => {
  const v = d.values;
  const big = v instanceof BigInt64Array || v instanceof BigUint64Array ? v : new BigInt64Array(v.buffer, v.byteOffset, v.byteLength / 8);
  return Array.from(big.subarray(0, d.length));
});

const columns = table.schema.fields.map((field) => {
  const column = table.getChild(field.name);
  const wide = field.type.typeId === Type.Timestamp || (field.type.typeId === Type.Int && field.type.bitWidth === 64);
  const values = wide ? words(column).map(String) : Array.from({ length: table.numRows }, (_, i) => column.get(i));
  return {
    name: field.name,
    type: String(field.type),
    nullable: field.nullable,
    metadata: Array.from(field.metadata),
    nulls: column.nullCount,
    first: values[0] ?? null,
    last: values[values.length - 1] ?? null,
    sum: wide ? null : values.reduce((sum, v) => sum + (v ?? 0), 0),
  };
});

console.log(JSON.stringify({
  metadata: Array.from(table.schema.metadata),
  rows: table.numRows,
  batches: table.batches.map((b) => b.numRows),
  columns,
}));
