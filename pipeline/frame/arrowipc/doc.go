// Package arrowipc writes and reads Arrow IPC files of plain numeric columns:
// no nesting, no dictionaries, no compression. It is the one place where
// Arrow is spoken; pipeline/frame (raw files) and sinks/segment (reduced
// files) stand on it.
//
// Writing goes through the arrow library. Reading does not: a library that
// trusts its input allocates what a damaged length field asks for, which ends
// the process and cannot be recovered from. The reader here walks the few
// tables that it needs, each offset and length checked against the bytes that
// are there, allocates nothing that a file declares, and hands out columns as
// views of the mapped file.
//
// Format: Apache Arrow columnar format, version 1.5, "Serialization and
// Interprocess Communication" (little endian, messages with the continuation
// mark that every writer since Arrow 0.15 sets).
package arrowipc
