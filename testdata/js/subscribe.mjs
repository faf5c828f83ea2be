// Listens to one source of a running service: prints its rows and its envelopes
// as they come, one JSON object a line, until it has seen so many rows both ways.
//
//   node subscribe.mjs nats://HOST:PORT TEST GROUP SOURCE ROWS
import { connect } from "@nats-io/transport-node";
import { tableFromIPC } from "apache-arrow";

const [server, test, group, source, wanted] = process.argv.slice(2);

// A name as a part of a subject.
const token = (name) => [...new TextEncoder().encode(name)].map((b) => {
  const c = String.fromCharCode(b);
  return /[A-Za-z0-9_-]/.test(c) ? c : "=" + b.toString(16).toUpperCase().padStart(2, "0");
}).join("");
const subject = (what) => `glueline.${token(test)}.${token(group)}.${what}.${token(source)}`;

const broker = await connect({ servers: server });
const seen = { reduced: 0, envelope: 0 };
const count = async (what, rows) => {
  seen[what] += rows;
  if (Math.min(seen.reduced, seen.envelope) >= Number(wanted)) await broker.close();
};

const rows = async () => {
  for await (const message of broker.subscribe(subject("reduced"))) {
    const table = tableFromIPC(message.data);
    const columns = table.schema.fields.slice(2).map((f) => ({
      name: f.name, unit: f.metadata.get("unit"), values: Array.from(table.getChild(f.name)),
    }));
    // Nanoseconds are more than a JavaScript number holds.
    const times = Array.from(new BigInt64Array(table.getChild("time").data[0].values.buffer, table.getChild("time").data[0].values.byteOffset, table.numRows), String);
    console.log(JSON.stringify({ what: "reduced", calibration: table.schema.metadata.get("calibration"), times, columns }));
    await count("reduced", table.numRows);
  }
};
const envelopes = async () => {
  for await (const message of broker.subscribe(subject("envelope"))) {
    const envelope = message.json();
    console.log(JSON.stringify({ what: "envelope", ...envelope }));
    await count("envelope", envelope.rows);
  }
};
const both = [rows(), envelopes()];
await broker.flush();
console.log(JSON.stringify({ what: "listening" }));
await Promise.all(both);
