// Prints what a Parquet implementation that is not ours sees in a file, as JSON:
// its metadata, and for each column its type, unit of time, nulls and values. 64-bit
// integers are written as strings, times as nanoseconds.
//
//   node read-parquet.mjs FILE
import { readFileSync } from "node:fs";
import { parquetMetadata, parquetReadObjects, parquetSchema } from "hyparquet";

const bytes = readFileSync(process.argv[2]);
const file = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength);
const metadata = parquetMetadata(file);
// Left as they stand: a Date holds milliseconds only.
const parsers = { timestampFromNanoseconds: (v) => v };
const rows = await parquetReadObjects({ file, parsers });
const columns = parquetSchema(metadata).children.map(({ element }) => ({
  name: element.name,
  type: element.type,
  logical: element.logical_type?.type ?? null,
  nanoseconds: element.logical_type?.unit === "NANOS",
  utc: element.logical_type?.isAdjustedToUTC ?? null,
  values: rows.map((row) => (typeof row[element.name] === "bigint" ? String(row[element.name]) : row[element.name] ?? null)),
}));
console.log(JSON.stringify({
  rows: Number(metadata.num_rows),
  groups: metadata.row_groups.length,
  metadata: metadata.key_value_metadata.map(({ key, value }) => [key, value]),
  columns,
}));
