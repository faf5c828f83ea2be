package testfile

import "testing"

const goodFile = "../../testdata/testfile/good.yaml"

func TestLoadGood(t *testing.T) {
	test, err := Load(goodFile)
	if err != nil {
		t.Fatal(err)
	}
	lot, ok := test.Lots.Get("A23")
	if !ok || lot.GaugeFactor.Value != 2.08 {
		t.Fatalf("lot A23 = %+v", lot)
	}
}
