package testfile

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

const listed = `
test: {name: listed}
channel-list: channels.csv
sources:
  node: {rate: 10 Hz, unit: mV/V}
  slow: {rate: 1 Hz, unit: degC}
lots: {A: {resistance: 350 ohm, gauge-factor: 2}}
gauges: {G9: {lot: A}}
positions: {keel: {material: brass}}
temperatures: {air: {input: slow/1}}
predictions: [{step: one, channel: bow, strain: 100 um/m}]
`

const goodList = `# channels of the hull
name;position;material;at;lot;gauge;input;bridge;lead-size;lead-length;temperature;limit;note
bow;;aluminium-6061;frame 2;A;;node/1;quarter_3wire;0.14 mm2;12 m;air;800 um/m;"wet; watch it"

keel strain;keel;;;;G9;node/2;quarter_2wire;AWG 26;3 m;;;
`

func parseListed(text, file string, list []byte) (*Test, error) {
	return Parse("dir/t.yaml", []byte(strings.Replace(text, "channels.csv", file, 1)), func(path string) ([]byte, error) {
		if path != file {
			return nil, os.ErrNotExist
		}
		return list, nil
	})
}

func TestChannelListCSV(t *testing.T) {
	test, err := parseListed(listed, "channels.csv", []byte(goodList))
	if err != nil {
		t.Fatal(err)
	}
	checkListed(t, test)
	bow, _ := test.Channels.Get("bow")
	if want := (Mark{filepath.Join("dir", "channels.csv"), 3, 71}); bow.Limits.Strain.Mark != want {
		t.Errorf("the limit stands at %v, want %v", bow.Limits.Strain.Mark, want)
	}
	if bow.Note.Text != "wet; watch it" {
		t.Errorf("note %q", bow.Note.Text)
	}
	for _, other := range []string{
		"\ufeff" + goodList,
		strings.ReplaceAll(goodList, "\n", "\r\n"),
		strings.ReplaceAll(strings.ReplaceAll(goodList, "wet;", "wet"), ";", ","),
		strings.ReplaceAll(strings.ReplaceAll(goodList, "wet;", "wet"), ";", "\t"),
	} {
		if test, err := parseListed(listed, "channels.csv", []byte(other)); err != nil {
			t.Error(err)
		} else {
			checkListed(t, test)
		}
	}
}

func checkListed(t *testing.T, test *Test) {
	t.Helper()
	if got := test.Channels.Names(); !slices.Equal(got, []string{"bow", "keel strain"}) {
		t.Fatalf("channels %q", got)
	}
	bow, _ := test.Channels.Get("bow")
	if bow.Position.Text != "bow" || bow.Leads.Length.Value != 12 || !bow.Leads.Given || bow.Limits.Strain.Value != 800e-6 || bow.Temperature.Text != "air" {
		t.Errorf("bow = %+v", bow)
	}
	if g, ok := test.Gauges.Get("bow"); !ok || g.Lot.Text != "A" {
		t.Errorf("gauge bow = %+v", g)
	}
	if p, ok := test.Positions.Get("bow"); !ok || p.At.Text != "frame 2" {
		t.Errorf("position bow = %+v", p)
	}
	if len(test.Wiring) != 2 || test.Wiring[1].Gauge.Text != "G9" || test.Wiring[1].Position.Text != "keel" || test.Wiring[0].Gauge.Text != "bow" {
		t.Errorf("wiring = %+v", test.Wiring)
	}
}

func workbook(t testing.TB, rows [][]any) []byte {
	t.Helper()
	book := excelize.NewFile()
	for i, r := range rows {
		if err := book.SetSheetRow("Sheet1", "A"+string(rune('1'+i)), &r); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := book.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestChannelListXLSX(t *testing.T) {
	rows := [][]any{
		{"Name", "Position", "Material", "At", "Lot", "Gauge", "Input", "Bridge", "Lead-Size", "Lead-Length", "Temperature", "Limit"},
		{"bow", nil, "aluminium-6061", "frame 2", "A", nil, "node/1", "quarter_3wire", "0.14 mm2", "12 m", "air", "800 um/m"},
		{},
		{"keel strain", "keel", nil, nil, nil, "G9", "node/2", "quarter_2wire", "AWG 26", "3 m"},
	}
	test, err := parseListed(listed, "list.xlsx", workbook(t, rows))
	if err != nil {
		t.Fatal(err)
	}
	checkListed(t, test)
	rows[3][9] = 3 // a number where a unit is needed
	_, err = parseListed(listed, "list.xlsx", workbook(t, rows))
	want := filepath.Join("dir", "list.xlsx") + `:4:10: channels.keel strain.leads.length: found 3; write it with its unit, for example "3 m"`
	if err == nil || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}

// Mistakes in a list stand at their row and column; a list that cannot be read
// is one problem, whatever refers to its channels.
func TestBadChannelLists(t *testing.T) {
	list := filepath.Join("dir", "channels.csv")
	const header = "name,material,lot,input,bridge,limit\n"
	for _, c := range []struct{ name, list, want string }{
		{"unknown header", "name,material,lot,input,bridge,colour\nbow,brass,A,node/1,quarter_2wire,red\n",
			list + `:1:32: found the unknown header "colour"; write one of name, position, gauge, material, at, direction, lot, installation, input, bridge, lead-resistance, lead-size, …`},
		{"misspelt header", "name,materiel,lot,input,bridge\nbow,brass,A,node/1,quarter_2wire\n",
			list + `:1:6: found the unknown header "materiel"; write material (one of name, position, gauge, material, at, direction, lot, installation, input, bridge, lead-resistance, lead-size, …)`},
		{"header twice", "name,material,lot,input,bridge,lot\nbow,brass,A,node/1,quarter_2wire,\n",
			list + `:1:32: found the header "lot" again; write each header once`},
		{"no name column", "material,lot,input,bridge\nbrass,A,node/1,quarter_2wire\n",
			list + `:1:1: found no header "name"; write a column "name"`},
		{"row without a name", header + "bow,brass,A,node/1,quarter_2wire,\n,brass,A,node/3,quarter_2wire,\n",
			list + `:3:1: found a row without a name; write the channel's name in the column name`},
		{"bad name", header + "bow,brass,A,node/1,quarter_2wire,\na/b,brass,A,node/3,quarter_2wire,\n",
			list + `:3:1: found "a/b"; write a name of at most 64 bytes: letters, digits, blanks and signs other than / [ ] " and commas`},
		{"quantity", header + "bow,brass,A,node/1,quarter_2wire,800\n",
			list + `:2:34: channels.bow.limits.strain: found 800; write it with its unit, for example "800 um/m"`},
		{"bridge", header + "bow,brass,A,node/1,quarter,800 um/m\n",
			list + `:2:20: channels.bow.bridge: found "quarter"; write one of quarter_2wire, quarter_3wire, half_dummy, half_bending, half_poisson, half_opposite_2wire, half_opposite_3wire, full_bending, full_poisson_axial, full_bending_poisson, full_shear`},
		{"no bridge", header + "bow,brass,A,node/1,,\n",
			list + `:2:1: channels.bow.bridge: found no bridge; write "bridge: quarter_2wire" (one of quarter_2wire, quarter_3wire, half_dummy, half_bending, half_poisson, half_opposite_2wire, half_opposite_3wire, full_bending, full_poisson_axial, full_bending_poisson, full_shear)`},
		{"after letters of two bytes", header + "bow,brass,A,node/1,quarter_2wire,\nµé,bras,A,node/3,quarter_2wire,\n",
			list + `:3:4: positions.µé.material: found the material "bras", which is not defined; write brass (one of carbon-steel, carbon-steel-1020, stainless-steel, aluminium-2024, aluminium-6061, aluminium-7075, copper, brass, bronze, titanium-6al-4v, grey-cast-iron)`},
		{"gauge in the file too", header + "bow,brass,A,node/1,quarter_2wire,\nG9,brass,A,node/3,quarter_2wire,\n",
			list + `:3:1: gauges.G9: found the name "G9" again; write each name once, here or in the test file`},
		{"input twice", header + "bow,brass,A,node/1,quarter_2wire,\nstern,brass,A,node/1,quarter_2wire,\n",
			list + `:3:15: wiring.2.input: found the input "node/1", which entry 1 holds at the same time; write another input, or from: and to: that do not overlap`},
		{"too many cells", header + "bow,brass,A,node/1,quarter_2wire,,extra\n",
			list + `:2:35: found "extra" in a column without a header; write a header above it`},
		{"quotes", header + "bow,bra\"ss,A,node/1,quarter_2wire,\n",
			list + `:2:8: found a row that is not CSV (bare " in non-quoted-field); write quotes only round a whole field, doubled inside it`},
		{"empty", "\n", list + `:1:1: found an empty list; write a row of headers, beginning with name`},
		{"not UTF-8", header + "b\xf6w,brass,A,node/1,quarter_2wire,\n", list + `:2:2: found bytes that are not UTF-8; write the list in UTF-8`},
		{"zero byte", header + "b\x00w,brass,A,node/1,quarter_2wire,\n", list + `:2:2: found a zero byte; write text; this is not a CSV file`},
		{"too long", header + strings.Repeat("x,,,,,\n", maxListRows+1), list + `:20002:1: found more than 20000 rows; write a shorter list`},
	} {
		_, err := parseListed(strings.Replace(listed, "positions: {keel: {material: brass}}\n", "", 1), "channels.csv", []byte(c.list))
		if err == nil || err.Error() != c.want {
			t.Errorf("%s: got\n%v\nwant\n%s", c.name, err, c.want)
		}
	}
	for _, c := range []struct{ file, want string }{
		{"list.ods", `dir/t.yaml:3:15: channel-list: found "list.ods"; write the name of a CSV or XLSX file beside this one`},
		{"../list.csv", `dir/t.yaml:3:15: channel-list: found "../list.csv", which is not beside the test file; write the name of a CSV or XLSX file beside this one`},
		{"/etc/list.csv", `dir/t.yaml:3:15: channel-list: found "/etc/list.csv", which is not beside the test file; write the name of a CSV or XLSX file beside this one`},
		{"list.xlsx", filepath.Join("dir", "list.xlsx") + `:1:1: found a workbook that cannot be read (zip: not a valid zip file); write an XLSX file without a password`},
	} {
		_, err := parseListed(listed, c.file, []byte("no workbook"))
		if err == nil || err.Error() != c.want {
			t.Errorf("%s: got\n%v\nwant\n%s", c.file, err, c.want)
		}
	}
	_, err := Parse("t.yaml", []byte(listed), func(string) ([]byte, error) { return nil, os.ErrNotExist })
	if want := `t.yaml:3:15: channel-list: found "channels.csv", which cannot be read (file does not exist); write the name of a CSV or XLSX file beside this one`; err == nil || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}

// The list is read from the folder of the test file.
func TestLoadWithList(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"t.yaml": listed, "channels.csv": goodList} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	test, err := Load(filepath.Join(dir, "t.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	checkListed(t, test)
}

func FuzzChannelList(f *testing.F) {
	f.Add([]byte(goodList), false)
	f.Add([]byte("name,bridge\n\"a\nb\",full_shear\n"), false)
	f.Add([]byte("PK\x03\x04"), true)
	f.Add(workbook(f, [][]any{{"name", "bridge"}, {"a", "full_shear"}}), true)
	f.Fuzz(func(t *testing.T, list []byte, sheet bool) {
		file := "channels.csv"
		if sheet {
			file = "list.xlsx"
		}
		test, err := parseListed(listed, file, list)
		var problems Problems
		if (test == nil) != errors.As(err, &problems) {
			t.Fatalf("test %v, error %v", test != nil, err)
		}
		for _, p := range problems {
			if p.Mark.Line < 1 || p.Mark.Column < 1 || p.Found == "" || p.Want == "" {
				t.Fatalf("problem without a place or words: %+v", p)
			}
		}
	})
}
