package journal_test

import (
	"context"
	"fmt"
	"os"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

func Example() {
	dir, err := os.MkdirTemp("", "journal")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	server, err := journal.Embedded(ctx, journal.ServerOptions{StoreDir: dir})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer server.Close()
	conn, err := server.Connect(nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer conn.Close()
	j, err := journal.Open(ctx, conn, journal.Group{Test: "demo", Name: "gate", Sources: []string{"node"}, MaxBytes: 1 << 30})
	if err != nil {
		fmt.Println(err)
		return
	}

	p, err := j.NewPublisher("node", "first boot", journal.PublisherOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for n := range uint64(2) {
		err := p.Send(ctx, &frame.Frame{
			Source: "node", Boot: "first boot", Number: n, Counter: n, Time: []int64{int64(n) * 1e9},
			Columns: []frame.Column{{Name: "A1", Unit: "mV/V", Float: []float64{0.25 + float64(n)}}},
		})
		if err != nil {
			fmt.Println(err)
		}
	}
	if err := p.Close(ctx); err != nil { // acknowledged, all of them
		fmt.Println(err)
	}

	r, err := j.Read(ctx, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	decoder := frame.NewWireDecoder(j.Sources())
	for {
		m, err := r.Next(ctx)
		if err != nil {
			fmt.Println(err)
			return
		}
		if m.Kind == journal.FrameMessage {
			h, err := m.FrameHeader()
			if err != nil {
				fmt.Println(err) // and into quarantine
				continue
			}
			f, err := decoder.Decode(m.Data, h)
			if err != nil {
				fmt.Println(err) // likewise
				continue
			}
			fmt.Println(m.Seq, f.Number, f.Columns[0].Float)
			f.Release()
		}
		if m.Pending == 0 {
			return
		}
	}
	// Output:
	// 2 0 [0.25]
	// 3 1 [1.25]
}
