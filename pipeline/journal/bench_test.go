package journal

import "testing"

// BenchmarkJournal publishes and reads frames of 256 KiB, in process.
func BenchmarkJournal(b *testing.B) {
	payload := make([]byte, 256<<10)
	for name, lazy := range map[string]bool{"publish/synced": false, "publish/lazy": true} {
		b.Run(name, func(b *testing.B) {
			g := gate()
			g.MaxBytes = 1 << 40
			j, err := Open(testContext(b), connectInside(b, startServer(b, ServerOptions{Lazy: lazy})), g)
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(int64(len(payload)))
			b.ReportAllocs()
			n := uint64(0)
			for b.Loop() {
				if _, err := j.Publish(b.Context(), header(n), payload); err != nil {
					b.Fatal(err)
				}
				n++
			}
		})
	}
	b.Run("read", func(b *testing.B) {
		const messages = 2000
		j := openJournal(b, connectInside(b, startServer(b, ServerOptions{Lazy: true})))
		if err := j.SetLimit(b.Context(), 1<<40); err != nil {
			b.Fatal(err)
		}
		for n := range uint64(messages) {
			if _, err := j.Publish(b.Context(), header(n), payload); err != nil {
				b.Fatal(err)
			}
		}
		b.SetBytes(messages * int64(len(payload)))
		b.ReportAllocs()
		for b.Loop() {
			r, err := j.Read(b.Context(), 2)
			if err != nil {
				b.Fatal(err)
			}
			for range messages {
				if _, err := r.Next(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
			r.Close()
		}
	})
}
