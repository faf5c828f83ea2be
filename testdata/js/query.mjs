// Runs SQL in an engine that is not ours and prints the rows as JSON, 64-bit
// integers as strings.
//
//   node query.mjs SQL
import { DuckDBInstance } from "@duckdb/node-api";

const instance = await DuckDBInstance.create(":memory:");
const connection = await instance.connect();
const reader = await connection.runAndReadAll(process.argv[2]);
console.log(JSON.stringify(reader.getRowObjectsJson()));
