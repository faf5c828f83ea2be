package arrowipc

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// OneBatch decodes streams that hold a schema and exactly one record batch,
// the form in which a message carries rows. It keeps the last schema: a stream
// that begins with the same bytes is not parsed for it again. The zero value
// is ready; a failed Decode keeps what was known before.
type OneBatch struct {
	Schema Schema // of the last stream that was decoded

	known []byte // the schema message that Schema was read from
	file  File
	bytes inMemory
}

// Decode makes dst the stream's batch, whose columns are views of payload, and
// says whether the schema is another than before. The columns together are no
// longer than the payload: a batch cannot show the same bytes as many columns.
// What is not one sound batch is ErrDamaged; what is sound but of another form
// is ErrUnsupported.
func (o *OneBatch) Decode(dst *Batch, payload []byte) (changed bool, err error) {
	if err := hostCheck(); err != nil {
		return false, err
	}
	first, body, err := messageAt(payload, 0)
	if err != nil {
		return false, err
	}
	schema := o.Schema
	if len(o.known) == 0 || !bytes.Equal(payload[:first], o.known) {
		changed = true
		if schema, err = schemaMessage(payload[8:first], body); err != nil {
			return false, err
		}
	}
	if first == len(payload) {
		return false, fmt.Errorf("%w: it ends before its rows", ErrDamaged)
	}
	second, body, err := messageAt(payload, first)
	if err != nil {
		return false, err
	}
	if body > int64(len(payload)-second) {
		return false, fmt.Errorf("%w: it is cut off in its rows", ErrDamaged)
	}
	rest := payload[second+int(body):]
	if len(rest) > 0 && !bytes.Equal(rest, endOfStream) {
		return false, fmt.Errorf("%w: %d bytes follow its one batch of rows", ErrUnsupported, len(rest))
	}
	o.bytes = payload
	o.file.Schema, o.file.data = schema, &o.bytes
	o.file.blocks = append(o.file.blocks[:0], block{offset: int64(first), metadata: int64(second - first), body: body})
	err = o.file.Read(dst, 0)
	o.bytes = nil
	if err != nil {
		return false, err
	}
	var width int64
	for _, f := range schema.Fields {
		width += int64(f.Kind.Size())
	}
	if int64(dst.Rows)*width > body {
		return false, fmt.Errorf("%w: %d rows of %d bytes in %d bytes", ErrDamaged, dst.Rows, width, body)
	}
	if changed {
		o.Schema, o.known = schema, append(o.known[:0], payload[:first]...)
	}
	return changed, nil
}

var endOfStream = []byte{0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0}

// messageAt checks the frame of the message at a place of the stream, and
// returns where its metadata end and how long its body says it is.
func messageAt(stream []byte, at int) (end int, body int64, err error) {
	rest := stream[at:]
	if len(rest) < 8 || binary.LittleEndian.Uint32(rest) != continuation {
		return 0, 0, fmt.Errorf("%w: no message begins at byte %d", ErrDamaged, at)
	}
	length := int64(int32(binary.LittleEndian.Uint32(rest[4:])))
	if length <= 0 || length > int64(len(rest)-8) {
		return 0, 0, fmt.Errorf("%w: the message at byte %d claims %d of %d bytes", ErrDamaged, at, length, len(rest)-8)
	}
	w := walker{b: rest[8 : 8+length]}
	body = w.root().i64(3)
	if w.err == nil && body < 0 {
		w.fail("a message claims a body of %d bytes", body)
	}
	return at + 8 + int(length), body, w.err
}

func schemaMessage(metadata []byte, body int64) (Schema, error) {
	w := newWalker(metadata)
	message := w.root()
	kind := message.u8(1)
	header, _ := message.child(2)
	switch {
	case w.err != nil:
		return Schema{}, w.err
	case kind != headerSchema || body != 0:
		return Schema{}, fmt.Errorf("%w: it does not begin with its schema", ErrDamaged)
	}
	return readSchema(header)
}
