// Package finite is for tests: it looks through a whole result for numbers that are
// none, which no result may hold.
package finite

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
)

// Check fails a test when a result holds a number that is none, or is no JSON.
func Check(t testing.TB, res any) {
	t.Helper()
	if _, err := json.Marshal(res); err != nil {
		t.Fatalf("result is not JSON: %v", err)
	}
	walk(t, "result", reflect.ValueOf(res))
}

func walk(t testing.TB, path string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Errorf("%s is %v", path, f)
		}
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			walk(t, path, v.Elem())
		}
	case reflect.Slice:
		for i := range v.Len() {
			walk(t, path+"[]", v.Index(i))
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			walk(t, path+"."+k.String(), v.MapIndex(k))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				walk(t, path+"."+v.Type().Field(i).Name, v.Field(i))
			}
		}
	}
}
