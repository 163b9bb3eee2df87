package journal

import (
	"errors"
	"reflect"
	"testing"

	"soakrig/daemon/record"
)

func TestLayouts(t *testing.T) {
	dir := t.TempDir()
	j, err := Open(Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	want := &record.Layout{ID: 77, Rig: "t", Sources: []record.Source{{Name: "s", Channels: []int{0}}}, Channels: []record.Channel{{Name: "a", Unit: "degC"}}}
	for range 2 {
		if err := j.PutLayout(want); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.PutLayout(&record.Layout{}); err == nil {
		t.Error("a layout without an id was stored")
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if j, err = Open(Options{Dir: dir}); err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	got, err := j.Layout(77)
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := j.Layout(78); !errors.Is(err, ErrNoLayout) {
		t.Errorf("another id: %v", err)
	}
}
