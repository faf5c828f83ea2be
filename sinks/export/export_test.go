package export_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"glueline/pipeline/flag"
	"glueline/sinks/disk"
	"glueline/sinks/export"
	"glueline/sinks/segment"
)

// row is one row of a source: a channel with flags, an axis of the same flags, and
// a temperature without.
type row struct {
	time                int64
	strain, angle, degc float64
	flags               flag.Mask
}

var fields = []segment.Field{
	{Name: "time", Kind: segment.Time},
	{Name: "sample", Kind: segment.Counter},
	{Name: "skin [m/m]", Unit: "m/m", Kind: segment.Float, Metadata: [][2]string{{"quantity", "strain"}, {"of", "skin"}}},
	{Name: "skin direction [rad]", Unit: "rad", Kind: segment.Float, Metadata: [][2]string{{"quantity", "rosette"}, {"of", "skin"}}},
	{Name: "air [degC]", Unit: "degC", Kind: segment.Float, Metadata: [][2]string{{"quantity", "temperature"}, {"of", "air"}}},
	{Name: "skin flags", Kind: segment.Flags, Metadata: [][2]string{{"quantity", "flags"}, {"of", "skin"}}},
}

// source writes rows into files that end after so many of them.
func source(t testing.TB, rows []row, every int) export.Source {
	t.Helper()
	s := export.Source{Name: "node", Dir: t.TempDir()}
	for at := 0; at < len(rows); at += every {
		part := rows[at:min(at+every, len(rows))]
		b := segment.Batch{Rows: len(part), Columns: make([]segment.Column, 4)}
		for i, r := range part {
			b.Time, b.Counter = append(b.Time, r.time), append(b.Counter, uint64(at+i))
			for k, v := range []float64{r.strain, r.angle, r.degc} {
				b.Columns[k].Float = append(b.Columns[k].Float, v)
			}
			b.Columns[3].Flags = append(b.Columns[3].Flags, uint32(r.flags))
		}
		w, err := segment.Create(disk.At(s.Dir), fmt.Sprintf("main.%08d.node.arrow", at), fields, [][2]string{{"calibration", "c"}}, 7)
		if err == nil {
			err = w.Append(b)
		}
		if err != nil {
			t.Fatal(err)
		}
		f, err := w.Commit()
		if err != nil {
			t.Fatal(err)
		}
		s.Files = append(s.Files, f)
	}
	return s
}

// table keeps what it is given, a row a list of numbers in the order of columns.
type table struct {
	columns []export.Column
	rows    [][]float64
}

func (k *table) Begin(columns []export.Column) error { k.columns = columns; return nil }

func (k *table) Row(whole []int64, values []float64) error {
	var line []float64
	for _, c := range k.columns {
		if c.Kind == export.Value {
			line, values = append(line, values[0]), values[1:]
		} else {
			line, whole = append(line, float64(whole[0])), whole[1:]
		}
	}
	if len(whole)+len(values) > 0 {
		return errors.New("a row has more than the columns")
	}
	k.rows = append(k.rows, line)
	return nil
}

func (k *table) Close([][2]string) error { return nil }

// someRows are rows at rising times, now and then two of one time or without a value.
func someRows(random *rand.Rand) (rows []row) {
	flags := []flag.Mask{0, 0, 0, flag.Open, flag.Late, flag.Frozen}
	at := int64(random.IntN(2000)) - 1000
	for range random.IntN(60) {
		at += int64(random.IntN(40))
		r := row{at, random.NormFloat64(), random.Float64()*math.Pi - math.Pi/2, 20 * random.Float64(), flags[random.IntN(len(flags))]}
		if random.IntN(8) == 0 {
			r.strain = math.NaN()
		}
		if random.IntN(8) == 0 {
			r.angle, r.degc = math.NaN(), math.NaN()
		}
		rows = append(rows, r)
	}
	return rows
}

// Whatever is asked for, of files that end anywhere, the table is what a list of all
// rows gives when it is gone through naively.
func TestWriteIsWhatAListOfRowsGives(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	tables, tared, dropped := 0, 0, int64(0)
	for round := range 200 {
		rows := someRows(random)
		o := export.Options{Flagged: export.Flagged(random.IntN(3)), Practical: random.IntN(2) == 0}
		switch random.IntN(3) {
		case 0:
			o.Rows = 1 + random.IntN(6)
		case 1:
			o.Every = time.Duration(1 + random.IntN(200))
		}
		if random.IntN(2) == 0 {
			o.From, o.To = int64(random.IntN(1000))-800, int64(random.IntN(1500))
		}
		inside := func(r row, from, to int64) bool { return r.time >= from && (to == 0 || r.time < to) }
		mean, n := 0.0, 0
		if random.IntN(3) == 0 {
			o.Tare = &export.Tare{Name: "dry", From: int64(random.IntN(800)) - 800, To: 500}
			for _, r := range rows {
				if r.strain == r.strain && r.flags&flag.LeavesOut == 0 && inside(r, o.Tare.From, o.Tare.To) {
					mean, n = mean+r.strain, n+1
				}
			}
			mean /= float64(n)
		}
		s := source(t, rows, 1+random.IntN(25))
		k := &table{}
		report, err := export.Write(t.Context(), s, k, o)
		any := false
		for _, f := range s.Files {
			any = any || f.LastTime >= o.From && (o.To == 0 || f.FirstTime < o.To)
		}
		switch {
		case !any:
			if !errors.Is(err, export.ErrNothing) {
				t.Fatalf("round %d: no file is touched: %v", round, err)
			}
			continue
		case o.Tare != nil && n == 0:
			if !errors.Is(err, export.ErrTare) {
				t.Fatalf("round %d: nothing to tare by: %v", round, err)
			}
			continue
		case err != nil:
			t.Fatal(err)
		}
		tables++
		um, deg := 1.0, 1.0
		if o.Practical {
			um, deg = 1e6, 180/math.Pi
		}
		type bin struct {
			begins, rows int64
			values       [3][]float64
			flags        flag.Mask
		}
		var want [][]float64
		var bins []*bin
		for i, r := range rows {
			if !inside(r, o.From, o.To) {
				continue
			}
			if o.Flagged != export.Keep && r.flags&flag.LeavesOut != 0 {
				r.strain, r.angle = math.NaN(), math.NaN()
			}
			kept := r.strain == r.strain || r.angle == r.angle && o.Tare == nil
			if o.Flagged == export.Drop && !kept {
				dropped++
				report.Dropped--
				continue
			}
			values := [3]float64{(r.strain - mean) * um, r.angle * deg, r.degc}
			if o.Rows <= 1 && o.Every == 0 {
				line := []float64{float64(r.time), float64(i), values[0]}
				if o.Tare == nil {
					line = append(line, values[1])
				}
				want = append(want, append(line, values[2], float64(r.flags)))
				continue
			}
			begins := r.time
			if o.Every > 0 {
				begins = int64(math.Floor(float64(r.time)/float64(o.Every))) * int64(o.Every)
			}
			last := len(bins) - 1
			if last < 0 || o.Every > 0 && bins[last].begins != begins || o.Every == 0 && bins[last].rows == int64(o.Rows) {
				bins = append(bins, &bin{begins: begins})
				last++
			}
			b := bins[last]
			b.rows, b.flags = b.rows+1, b.flags|r.flags
			for k, v := range values {
				if v == v {
					b.values[k] = append(b.values[k], v)
				}
			}
		}
		for _, b := range bins {
			line := []float64{float64(b.begins), float64(b.rows)}
			for k, values := range b.values {
				least, most, sum, x, y := math.Inf(1), math.Inf(-1), 0.0, 0.0, 0.0
				for _, v := range values {
					least, most, sum = min(least, v), max(most, v), sum+v
					x, y = x+math.Cos(2*v/deg), y+math.Sin(2*v/deg)
				}
				if len(values) == 0 {
					least, most = math.NaN(), math.NaN()
				}
				switch {
				case k == 1 && o.Tare != nil: // of a principal direction a tare has no meaning
				case k == 1 && len(values) == 0:
					line = append(line, math.NaN(), 0)
				case k == 1:
					line = append(line, math.Atan2(y, x)/2*deg, float64(len(values)))
				default:
					line = append(line, least, most, sum/float64(len(values)), float64(len(values)))
				}
			}
			want = append(want, append(line, float64(b.flags)))
		}
		if o.Tare != nil {
			tared++
			if len(report.Left) != 1 || !strings.Contains(k.columns[2].Name, "less dry") || math.Abs(*k.columns[2].Tare-mean*um) > 1e-12*um {
				t.Fatalf("round %d: %v left out, %q less %v, want %v", round, report.Left, k.columns[2].Name, *k.columns[2].Tare, mean*um)
			}
		}
		if report.Dropped != 0 || len(k.rows) != len(want) || report.Rows != int64(len(want)) {
			t.Fatalf("round %d: %d rows, %d told, want %d; %d more dropped than should be", round, len(k.rows), report.Rows, len(want), report.Dropped)
		}
		for i := range want {
			for j := range want[i] {
				if got, want := k.rows[i][j], want[i][j]; !(math.Abs(got-want) <= 1e-9*max(1, math.Abs(want))) && !(got != got && want != want) {
					t.Fatalf("round %d, row %d, %s: %v, want %v (%+v)", round, i, k.columns[j].Name, got, want, o)
				}
			}
		}
	}
	if tables < 100 || tared < 20 || dropped < 50 {
		t.Errorf("only %d tables, %d with a tare, %d rows dropped", tables, tared, dropped)
	}
}

// What is written as CSV and as Parquet is read back by readers that are not ours,
// to the last bit, whatever the names and values.
func TestTablesAreReadBack(t *testing.T) {
	columns := []export.Column{
		{Name: "time", Kind: export.Time}, {Name: "sample", Kind: export.Count},
		{Name: "a, \"b\"\nc [um/m]", Kind: export.Value, Unit: "um/m"}, {Name: "ü [°C]", Kind: export.Value}, {Name: "x flags", Kind: export.Flags},
	}
	random := rand.New(rand.NewPCG(9, 10))
	special := []float64{0, math.Copysign(0, -1), math.SmallestNonzeroFloat64, math.MaxFloat64, 1.0 / 3, -1e-300, math.NaN()}
	value := func() float64 {
		if random.IntN(2) == 0 {
			return special[random.IntN(len(special))]
		}
		return math.Float64frombits(random.Uint64()&^(1<<62) | 1<<61) // never Inf
	}
	var whole [][]int64
	var values [][]float64
	for i := range int64(1000) {
		whole = append(whole, []int64{random.Int64N(1 << 61), i, int64(random.Uint32() & (1<<20 - 1))})
		values = append(values, []float64{value(), value()})
	}
	var asCSV, asParquet bytes.Buffer
	for _, to := range []export.Table{export.CSV(&asCSV), export.Parquet(&asParquet)} {
		if err := to.Begin(columns); err != nil {
			t.Fatal(err)
		}
		for i := range whole {
			if err := to.Row(whole[i], values[i]); err != nil {
				t.Fatal(err)
			}
		}
		if err := to.Close([][2]string{{"key", "value"}}); err != nil {
			t.Fatal(err)
		}
	}
	same := func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) || a != a && b != b }

	lines, err := csv.NewReader(&asCSV).ReadAll()
	if err != nil || len(lines) != len(whole)+1 {
		t.Fatal(len(lines), err)
	}
	for j, c := range columns {
		if lines[0][j] != c.Name {
			t.Errorf("CSV: column %d is %q, want %q", j, lines[0][j], c.Name)
		}
	}
	for i, line := range lines[1:] {
		at, err := time.Parse(time.RFC3339Nano, line[0])
		if err != nil || at.UnixNano() != whole[i][0] || line[1] != strconv.FormatInt(whole[i][1], 10) {
			t.Fatalf("CSV, row %d: %q", i, line)
		}
		for k, text := range line[2:4] {
			got := math.NaN()
			if text != "" {
				if got, err = strconv.ParseFloat(text, 64); err != nil {
					t.Fatal(err)
				}
			}
			if !same(got, values[i][k]) {
				t.Fatalf("CSV, row %d: %q, want %v", i, text, values[i][k])
			}
		}
		mask := flag.Mask(whole[i][2])
		if want := strings.Join(mask.Names(), " "); line[4] != want && !(mask == 0 && line[4] == "ok") {
			t.Fatalf("CSV, row %d: flags %q, want %q", i, line[4], want)
		}
	}

	file, err := parquet.OpenFile(bytes.NewReader(asParquet.Bytes()), int64(asParquet.Len()))
	if err != nil || file.NumRows() != int64(len(whole)) {
		t.Fatal(err)
	}
	if v, ok := file.Lookup("key"); !ok || v != "value" {
		t.Errorf("Parquet: about it stands %q", v)
	}
	for j, path := range file.Schema().Columns() {
		if path[0] != columns[j].Name {
			t.Errorf("Parquet: column %d is %q, want %q", j, path[0], columns[j].Name)
		}
	}
	i := 0
	for _, g := range file.RowGroups() {
		rows := g.Rows()
		buffer := make([]parquet.Row, 64)
		for {
			n, err := rows.ReadRows(buffer)
			for _, r := range buffer[:n] {
				got := [2]float64{math.NaN(), math.NaN()}
				for k := range got {
					if !r[2+k].IsNull() {
						got[k] = r[2+k].Double()
					}
				}
				if r[0].Int64() != whole[i][0] || r[1].Int64() != whole[i][1] || !same(got[0], values[i][0]) || !same(got[1], values[i][1]) || int64(r[4].Uint32()) != whole[i][2] {
					t.Fatalf("Parquet, row %d: %v, want %v %v", i, r, whole[i], values[i])
				}
				i++
			}
			if err != nil {
				break
			}
		}
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if i != len(whole) {
		t.Errorf("Parquet: %d rows were read, want %d", i, len(whole))
	}
}
