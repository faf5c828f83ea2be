// Publishes one frame of two inputs and three rows to a journal, and prints
// the broker's answer.
//
//   node publish-frame.mjs nats://HOST:PORT SUBJECT SOURCE BOOT FRAME COUNTER
import { connect, headers } from "@nats-io/transport-node";
import * as arrow from "apache-arrow";

const [server, subject, source, boot, frame, counter] = process.argv.slice(2);

const column = (name, type, values, unit) => ({
  field: new arrow.Field(name, type, false, new Map([["unit", unit]])),
  data: arrow.makeData({ type, length: values.length, nullCount: 0, data: values }),
});
const start = 1_777_874_400_000_000_000n; // nanoseconds since 1970-01-01 UTC: 2026-05-04 06:00
const columns = [
  column("time", new arrow.Timestamp(arrow.TimeUnit.NANOSECOND, "UTC"), BigInt64Array.of(start, start + 20_000_000n, start + 40_000_000n), "ns"),
  column("A1", new arrow.Float64(), Float64Array.of(0.25, 0.5, -0.125), "mV/V"),
  column("A2", new arrow.Int32(), Int32Array.of(1200, -7, 8388607), ""),
];
const schema = new arrow.Schema(columns.map((c) => c.field));
const rows = arrow.makeData({ type: new arrow.Struct(schema.fields), length: 3, nullCount: 0, children: columns.map((c) => c.data) });
const payload = arrow.tableToIPC(new arrow.Table(schema, [new arrow.RecordBatch(schema, rows)]), "stream");

const head = headers();
head.set("Glueline-Source", source);
head.set("Glueline-Boot", boot);
head.set("Glueline-Frame", frame);
head.set("Glueline-Counter", counter);

const broker = await connect({ servers: server });
try {
  // The answer is the acknowledgement: until it came, the frame is ours to keep.
  const answer = await broker.request(subject, payload, { headers: head, timeout: 10_000 });
  console.log(answer.string());
} finally {
  await broker.close();
}
